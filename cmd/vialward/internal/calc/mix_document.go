package calc

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"vialward/tracker/mixing"
	"vialward/tracker/stock"
)

// Keys of the document, those that may be null or left out marked.
var (
	mixKeys = map[string]bool{
		"vials": false, "mass_mg_per_vial": false, "label_line": true, "diluent_ml": false, "withdrawn_ml": true,
		"bring_to_ml": true, "fill_ml": true, "container_ml": true, "tolerance_percent": false,
	}
	labelLineKeys = map[string]bool{"diluent_ml": false, "mg_per_ml": false, "volume_ml": false}
)

// maxMixDocument is far more than any such document needs; a log handed in by mistake is not read to its end.
const maxMixDocument = 1 << 20

// readMixDocument reads the document strictly: keys in their exact spelling and once each, amounts as decimal strings
// (a JSON number goes through binary fractions in most programs, and 0.1 is none). Every mistake is listed. An amount
// that is a decimal but finer than a microgram or microlitre comes back as a refusal.
func readMixDocument(in io.Reader) (mixing.Plan, error) {
	text, err := io.ReadAll(io.LimitReader(in, maxMixDocument+1))
	if err != nil {
		return mixing.Plan{}, fmt.Errorf("reading the document: %w", err)
	}
	if len(text) > maxMixDocument {
		return mixing.Plan{}, errors.New("the document is longer than a megabyte: this is not a mixing document")
	}
	d := mixReader{}
	fields, err := d.object("", text, mixKeys)
	if err != nil {
		return mixing.Plan{}, err
	}
	p := mixing.Plan{
		Source: mixing.Source{
			Mass:    stock.Micrograms(d.milli(fields, "mass_mg_per_vial")),
			Diluent: stock.Microlitres(d.milli(fields, "diluent_ml")),
		},
		Vials:                 d.count(fields, "vials"),
		Withdrawn:             d.volume(fields, "withdrawn_ml"),
		BringTo:               d.volume(fields, "bring_to_ml"),
		Fill:                  d.volume(fields, "fill_ml"),
		Container:             d.volume(fields, "container_ml"),
		ToleranceMilliPercent: d.milli(fields, "tolerance_percent"),
	}
	if raw, ok := fields["label_line"]; ok {
		line, err := d.object("label_line.", raw, labelLineKeys)
		if err != nil {
			return mixing.Plan{}, err
		}
		p.LabelLine = &stock.LabelLine{
			Diluent:  stock.Microlitres(d.milli(line, "label_line.diluent_ml")),
			UgPerML:  stock.Micrograms(d.milli(line, "label_line.mg_per_ml")),
			VolumeUL: stock.Microlitres(d.milli(line, "label_line.volume_ml")),
		}
	}
	if len(d.wrong) > 0 {
		return p, errors.New(strings.Join(d.wrong, "; "))
	}
	return p, errors.Join(d.refused...)
}

// mixReader collects what is wrong with the form of a document and what is refused of its amounts.
type mixReader struct {
	wrong   []string
	refused []error
}

// object takes a JSON object apart into its raw fields, nulls left out, keyed by path. An error means it is none.
func (d *mixReader) object(path string, text []byte, known map[string]bool) (map[string]json.RawMessage, error) {
	name := "the document"
	if path != "" {
		name = strings.TrimSuffix(path, ".")
	}
	dec := json.NewDecoder(strings.NewReader(string(text)))
	if open, err := dec.Token(); err != nil || open != json.Delim('{') {
		return nil, fmt.Errorf("%s is not a JSON object {...}%s", name, mixBecause(err))
	}
	fields := map[string]json.RawMessage{}
	seen := map[string]bool{}
	for dec.More() {
		token, err := dec.Token()
		if err != nil {
			return nil, fmt.Errorf("%s is not valid JSON%s", name, mixBecause(err))
		}
		key, _ := token.(string) // the decoder answers nothing else before a colon
		var raw json.RawMessage
		if err := dec.Decode(&raw); err != nil {
			return nil, fmt.Errorf("%s: the value of %q is not valid JSON%s", name, key, mixBecause(err))
		}
		_, ok := known[key]
		switch {
		case !ok:
			d.wrong = append(d.wrong, fmt.Sprintf("%q is not a key of this document", path+key))
		case seen[key]:
			d.wrong = append(d.wrong, fmt.Sprintf("%q stands there twice", path+key))
		case string(raw) != "null":
			fields[path+key] = raw
		}
		seen[key] = true
	}
	if _, err := dec.Token(); err != nil {
		return nil, fmt.Errorf("%s does not end with }%s", name, mixBecause(err))
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("something stands after the end of %s", name)
	}
	for _, key := range slices.Sorted(maps.Keys(known)) {
		if _, ok := fields[path+key]; !ok && !known[key] {
			d.wrong = append(d.wrong, fmt.Sprintf("%q is missing", path+key))
		}
	}
	return fields, nil
}

func mixBecause(err error) string {
	if err == nil {
		return ""
	}
	return ": " + strings.TrimPrefix(err.Error(), "json: ")
}

// milli reads a decimal string as thousandths. What is missing was reported as missing.
func (d *mixReader) milli(fields map[string]json.RawMessage, path string) int64 {
	raw, ok := fields[path]
	if !ok {
		return 0
	}
	var s string
	if raw[0] != '"' || json.Unmarshal(raw, &s) != nil {
		d.wrong = append(d.wrong, fmt.Sprintf("%q must be a decimal in quotes, such as \"2.5\", not %s", path, raw))
		return 0
	}
	unsigned := strings.TrimPrefix(s, "-")
	if before, after, ok := strings.Cut(unsigned, "."); ok && after != "" { // "2.5000" says no more than "2.5"
		unsigned = strings.TrimSuffix(before+"."+strings.TrimRight(after, "0"), ".")
	}
	n, err := stock.ParseMilli(unsigned)
	switch {
	case err == nil && s != unsigned && strings.HasPrefix(s, "-"):
		return -n
	case err == nil:
		return n
	case mixDecimal(unsigned):
		d.refused = append(d.refused, stock.Refuse(mixing.CodeQuantity, "",
			"%s is %s: amounts are taken to three decimals and twelve digits before them", path, s))
	default:
		d.wrong = append(d.wrong, fmt.Sprintf("%q must be a plain decimal with a point, such as \"2.5\", not %q", path, s))
	}
	return 0
}

func mixDecimal(s string) bool {
	whole, frac, dot := strings.Cut(s, ".")
	return whole != "" && strings.Trim(whole+frac, "0123456789") == "" && (frac != "" || !dot)
}

func (d *mixReader) volume(fields map[string]json.RawMessage, path string) *stock.Microlitres {
	if _, ok := fields[path]; !ok {
		return nil
	}
	v := stock.Microlitres(d.milli(fields, path))
	return &v
}

// count reads a whole JSON number.
func (d *mixReader) count(fields map[string]json.RawMessage, path string) int {
	raw, ok := fields[path]
	if !ok {
		return 0
	}
	var n int
	if err := json.Unmarshal(raw, &n); err != nil {
		d.wrong = append(d.wrong, fmt.Sprintf("%q must be a whole number without quotes, such as 4, not %s", path, raw))
	}
	return n
}
