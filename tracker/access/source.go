package access

import "net/netip"

// Source is what counts as one address of the network: an IPv4 address, or the 64-bit prefix of an IPv6 one, which a single
// machine may fill with addresses of its own (RFC 4291, 2.5.4: M). What is no address is taken as it is.
func Source(address string) string {
	a, err := netip.ParseAddr(address)
	if err != nil {
		return address
	}
	a = a.Unmap().WithZone("")
	if a.Is4() {
		return a.String()
	}
	p, err := a.Prefix(64)
	if err != nil {
		return a.String()
	}
	return p.String()
}
