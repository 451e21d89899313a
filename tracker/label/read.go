package label

import (
	"strconv"
	"strings"
)

// Read tells a vial's own code from GS1 data, which a scanner in keyboard mode sends without a sign: "251110-2-07-93"
// would pass for identifier (251). GS1 data without symbology identifier, brackets or FNC1 is only taken where it
// begins with a GTIN, as every pack's and every label of ours does. code is "" where the data names no vial of ours.
func Read(s string, thisYear int) (code string, e Elements, err error) {
	s = strings.Trim(s, " \t\r\n")
	gs1 := strings.HasPrefix(s, "]") || strings.HasPrefix(s, "(") || strings.Contains(s, GS) ||
		strings.HasPrefix(s, "01") && len(s) >= 16
	if !gs1 {
		code, err = CheckCode(s)
		return code, Elements{}, err
	}
	if e, err = Parse(s, thisYear); err != nil {
		return "", Elements{}, err
	}
	return e.Code(), e, nil
}

// Code is the vial's own code where lot and serial are those of a vial of ours, else "".
func (e Elements) Code() string {
	b, err := ParseBatchCode(e.Lot)
	if err != nil || b.String() != e.Lot {
		return ""
	}
	n, err := strconv.Atoi(e.Serial)
	if err != nil || e.Serial != serialText(n) {
		return ""
	}
	c, err := NewCode(b, n)
	if err != nil {
		return ""
	}
	return c.String()
}

// VialElements is what the GS1 code of a vial of ours says. label is the number of its label, from 1.
func VialElements(gtin string, c VialCode, label int) Elements {
	return Elements{GTIN: gtin, Lot: c.Batch.String(), Serial: serialText(c.Serial), Label: label}
}
