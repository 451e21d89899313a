package config

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"regexp"
	"strings"
)

// proxies are addresses, or networks of them, of machines that pass requests on.
func (r *reader) proxies(list []string) (all []netip.Prefix) {
	const key = "http.proxies"
	for _, text := range list {
		r.origin[key] = "file"
		p, err := netip.ParsePrefix(text)
		if a, one := netip.ParseAddr(text); one == nil {
			p, err = netip.PrefixFrom(a.Unmap(), a.Unmap().BitLen()), nil
		}
		switch {
		case err != nil:
			r.wrong(key, "%q is neither an address nor a network of them: write 10.0.0.2 or 10.0.0.0/28", text)
		case p.Bits() == 0:
			r.wrong(key, "%s is everybody: whoever asks could say where from; name the proxies alone", text)
		default:
			all = append(all, p.Masked())
		}
	}
	return all
}

// hostName is a name of the network, or an address of it in its own form.
var hostName = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?$`)

// checkHTTP lets others than this machine in over TLS only, to us or to a proxy that is named, and by a name that is known:
// passwords and tokens would cross the network in the open, and pages be asked for by anybody's name.
func (r *reader) checkHTTP(h HTTP) {
	const key = "http.listen"
	host, port, err := net.SplitHostPort(h.Listen)
	if err != nil || !isPort(port, 0) {
		r.wrong(key, "%q is not an address and a port, such as 127.0.0.1:8080", h.Listen)
		return
	}
	shut := h.TLSCert != "" || len(h.Proxies) > 0 // nobody beyond this machine and the proxies asks in the open
	beyond := !loopback(host)
	if beyond && !shut {
		r.wrong(key, "%q can be reached from other machines, and passwords would cross the network in the open: give tls_cert and tls_key, or name the proxies before it in proxies, or use 127.0.0.1:%s", h.Listen, port)
	}
	name := h.PublicName
	if n, p, err := net.SplitHostPort(name); err == nil && isPort(p, 1) {
		name = n
	}
	bare := strings.TrimSuffix(strings.TrimPrefix(name, "["), "]")
	_, address := netip.ParseAddr(bare)
	switch {
	case name == "" && (beyond && shut || len(h.Proxies) > 0):
		r.wrong("http.public_name", "public_name is missing: the name by which others reach it, such as vialward.pharmacy.example; requests for another one are refused")
	case name != "" && address != nil && !hostName.MatchString(name):
		r.wrong("http.public_name", "%q is not a host, or a host and a port, such as vialward.pharmacy.example", h.PublicName)
	case name != "" && !shut && !beyond:
		r.wrong("http.public_name", "%s is reached over TLS only: give tls_cert and tls_key, or name the proxies before it in proxies", h.PublicName)
	}
	r.checkPair(h, bare)
}

// checkPair looks at certificate and key as the daemon will.
func (r *reader) checkPair(h HTTP, name string) {
	switch {
	case h.TLSCert == "" && h.TLSKey == "":
		return
	case h.TLSCert == "":
		r.wrong("http.tls_cert", "tls_cert is missing: the file of the certificate that belongs to tls_key")
		return
	case h.TLSKey == "":
		r.wrong("http.tls_key", "tls_key is missing: the file of the key that belongs to tls_cert")
		return
	}
	pair, err := ReadPair(h.TLSCert, h.TLSKey, r.env)
	if err != nil {
		r.wrong("http.tls_key", "%v", err)
		return
	}
	if name != "" {
		if err := pair.Leaf.VerifyHostname(name); err != nil {
			r.wrong("http.tls_cert", "the certificate is not for %s: %v", name, err)
		}
	}
}

// ReadPair reads a certificate with its chain and its key, which nobody but its owner may read.
func ReadPair(certFile, keyFile string, env func(string) string) (tls.Certificate, error) {
	cert, _, err := readWithMode(certFile)
	if err != nil {
		return tls.Certificate{}, fmt.Errorf("the certificate cannot be read: %w", err)
	}
	key, mode, err := readWithMode(keyFile)
	switch {
	case err != nil:
		return tls.Certificate{}, fmt.Errorf("the key cannot be read: %w", err)
	case mode&0o077 != 0 && !credential(keyFile, env):
		return tls.Certificate{}, errors.New("others may read the key: chmod 600 " + keyFile)
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		return tls.Certificate{}, fmt.Errorf("certificate %s and key %s do not go together: %w", certFile, keyFile, err)
	}
	return pair, nil
}

// Stamp changes whenever a file was written or replaced.
func Stamp(file string) string {
	info, err := os.Stat(file)
	if err != nil {
		return err.Error()
	}
	return fmt.Sprintf("%d %d %v;", info.ModTime().UnixNano(), info.Size(), info.Mode())
}

func proxiesInWords(all []netip.Prefix) []string {
	words := make([]string, len(all))
	for i, p := range all {
		words[i] = p.String()
	}
	return words
}
