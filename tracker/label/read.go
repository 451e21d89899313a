package label

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// Read tells a vial's own code from GS1 data, which a scanner in keyboard mode sends without a sign: "251110-2-07-93"
// would pass for identifier (251). GS1 data without symbology identifier, brackets or FNC1 is only taken where it
// begins with a GTIN, as every pack's and every label of ours does. A separator may come as what scanners are set to send
// for it, or be lost. code is "" where the data names no vial of ours.
func Read(s string, thisYear int) (code string, e Elements, err error) {
	s = strings.Trim(s, " \t\r\n")
	gs1 := strings.HasPrefix(s, "]") || strings.HasPrefix(s, "(") || strings.Contains(s, GS) ||
		strings.HasPrefix(s, "01") && len(s) >= 16
	if !gs1 {
		own, n, err := cutLabel(s)
		if err == nil {
			code, err = CheckCode(own)
		}
		return code, Elements{Label: n}, err
	}
	if plain, ok := strings.CutPrefix(s, "]d1"); ok { // DataMatrix without GS1 data: our own code (ISO/IEC 15424: M)
		return Read(plain, thisYear)
	}
	s = separators.Replace(s)
	if !strings.Contains(strings.TrimPrefix(s, GS), GS) {
		if with := withSeparators(strings.TrimPrefix(s, GS)); with != "" {
			s = with
		}
	}
	if e, err = Parse(s, thisYear); err != nil {
		return "", Elements{}, err
	}
	return e.Code(), e, nil
}

// separators are what scanners send for FNC1 where the computer takes no ASCII 29: none of them is a character of GS1
// data, but for the angle brackets, which never stand so in ours.
var separators = strings.NewReplacer("<GS>", GS, "{GS}", GS, "|", GS, "^", GS, "~", GS)

// ours is a label of ours whose separators a scanner swallowed, up to the lot: symbology, GTIN and end have fixed lengths.
var ours = regexp.MustCompile(`^(\](?:d2|C1|Q3|e0))?(01\d{14}7003\d{10})(10\d{6}-\d{1,2})(91\d{1,2})?(21\d{2,3})$`)

// withSeparators puts the separators back; "" where it is no label of ours.
func withSeparators(s string) string {
	m := ours.FindStringSubmatch(s)
	if m == nil {
		return ""
	}
	out := m[1] + m[2] + GS + m[3] + GS
	if m[4] != "" {
		out += m[4] + GS
	}
	return out + m[5]
}

// Own is what the code on a label says where its product has no GTIN: the vial's own code and the number of the label.
func Own(code string, label int) string { return fmt.Sprintf("%s#%d", code, label) }

// cutLabel takes the number of a label off a vial's own code; 0 = none stands there.
func cutLabel(s string) (code string, label int, err error) {
	code, n, there := strings.Cut(s, "#")
	if !there {
		return s, 0, nil
	}
	if label, err = strconv.Atoi(n); err != nil || label < 1 || label > 99 {
		return "", 0, fmt.Errorf("%q ends in no label's number: scan it again", s)
	}
	return code, label, nil
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
