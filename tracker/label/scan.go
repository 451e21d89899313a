package label

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// Symbology identifiers of ISO/IEC 15424 that announce GS1 data (M, but for ]d2: R): DataMatrix, Code 128, QR, DataBar.
var gs1Symbologies = []string{"]d2", "]C1", "]Q3", "]e0"}

// ParseElements cuts what a scanner sent, or a person copied in brackets, into its elements in their order. Taken: with
// or without a symbology identifier, with or without a leading FNC1; FNC1 after a value whether it was needed or not.
// Every value is checked.
func ParseElements(s string) ([]Element, error) {
	data := s
	if strings.HasPrefix(data, "]") {
		known := false
		for _, p := range gs1Symbologies {
			if rest, ok := strings.CutPrefix(data, p); ok {
				data, known = rest, true
			}
		}
		if !known {
			return nil, fmt.Errorf("%.12q is not GS1 data: a scanner announces that with ]d2; read the vial's own code instead", s)
		}
	}
	cut := cutScanned
	if strings.HasPrefix(data, "(") {
		cut = cutBrackets
	} else {
		data = strings.TrimPrefix(data, GS)
	}
	if data == "" {
		return nil, errors.New("the code is empty: scan it again")
	}
	var elements []Element
	values := map[string]string{}
	for data != "" {
		e, rest, err := cut(data)
		if err != nil {
			return nil, err
		}
		if _, err := checked(e); err != nil {
			return nil, err
		}
		if old, ok := values[e.AI]; ok && old != e.Value {
			return nil, fmt.Errorf("(%s) stands there twice, as %q and as %q", e.AI, old, e.Value)
		}
		values[e.AI] = e.Value
		elements = append(elements, e)
		data = rest
	}
	return elements, nil
}

// cutScanned takes the first element off scanned data.
func cutScanned(data string) (e Element, rest string, err error) {
	for n := 2; n <= 4 && n <= len(data); n++ {
		id, ok := identifiers[data[:n]]
		if !ok {
			continue
		}
		e.AI, rest = data[:n], data[n:]
		if id.fixed {
			if len(rest) < id.max {
				return e, "", fmt.Errorf("(%s) is cut off: it takes %d characters, not %d", e.AI, id.max, len(rest))
			}
			e.Value, rest = rest[:id.max], strings.TrimPrefix(rest[id.max:], GS)
			return e, rest, nil
		}
		e.Value, rest, _ = strings.Cut(rest, GS)
		return e, rest, nil
	}
	return e, "", fmt.Errorf("%w at %.8q", ErrUnknownIdentifier, data)
}

// cutBrackets takes the first element off the form for people.
func cutBrackets(data string) (e Element, rest string, err error) {
	ai, value, ok := strings.Cut(strings.TrimPrefix(data, "("), ")")
	if !ok {
		return e, "", fmt.Errorf("%.12q: a bracket is not closed", data)
	}
	e.AI = ai
	for i := 0; i < len(value); i++ {
		switch {
		case strings.HasPrefix(value[i:], `\(`):
			i++
		case value[i] == '(':
			e.Value = strings.ReplaceAll(value[:i], `\(`, "(")
			return e, value[i:], nil
		}
	}
	e.Value = strings.ReplaceAll(value, `\(`, "(")
	return e, "", nil
}

// Parse reads a scanned or copied GS1 string. thisYear (of the site, today) decides the century of its two-digit years.
// The BUD comes back as the wall time it says; ResolveBUD makes it an instant.
func Parse(s string, thisYear int) (Elements, error) {
	list, err := ParseElements(s)
	if err != nil {
		return Elements{}, err
	}
	var e Elements
	seen := map[Element]bool{}
	for _, x := range list {
		if seen[x] {
			continue
		}
		seen[x] = true
		switch x.AI {
		case "01":
			e.GTIN = x.Value
		case "10":
			e.Lot = x.Value
		case "21":
			e.Serial = x.Value
		case "17":
			e.Expires, err = gs1Date(x.Value, thisYear)
		case "7003":
			e.BUD, err = gs1Time(x.Value, thisYear)
		case "91":
			if n, numErr := strconv.Atoi(x.Value); numErr == nil && n > 0 && x.Value == strconv.Itoa(n) {
				e.Label = n
				continue
			}
			e.Other = append(e.Other, x) // another company's own use of it
		default:
			e.Other = append(e.Other, x)
		}
		if err != nil {
			return Elements{}, fmt.Errorf("(%s) %s: %w", x.AI, x.Value, err)
		}
	}
	return e, nil
}
