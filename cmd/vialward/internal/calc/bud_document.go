package calc

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/big"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"vialward/tracker/beyonduse"
	"vialward/tracker/stock"
)

// Keys of the document, those that may be null or left out marked. A document without stability is one that no date
// follows from, which is an answer, not a mistake of form.
var (
	budKeys = map[string]bool{
		"zone": false, "started_at": false, "storage": false, "sterility": false, "stability": true, "components": true, "cap_hours": true,
	}
	sterilityKeys = map[string]bool{"category": false, "method": true, "sterility_tested": true, "nonsterile_component": true}
	stabilityKeys = map[string]bool{"storage": false, "hours": false, "source": false}
	componentKeys = map[string]bool{"name": false, "lot": false, "expires": true, "beyond_use": true}
)

const maxBudDocument = 1 << 20

// readBudDocument reads the document strictly: keys in their exact spelling and once each, instants with their offset,
// hours exactly as their decimal text. Every mistake is listed with its place.
func readBudDocument(in io.Reader) (beyonduse.Input, error) {
	text, err := io.ReadAll(io.LimitReader(in, maxBudDocument+1))
	if err != nil {
		return beyonduse.Input{}, fmt.Errorf("reading the document: %w", err)
	}
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	switch {
	case len(text) > maxBudDocument:
		return beyonduse.Input{}, errors.New("the document is longer than a megabyte: give one preparation as a JSON object")
	case !utf8.Valid(text):
		return beyonduse.Input{}, errors.New("the document is not UTF-8: save it as UTF-8 text")
	}
	d := budReader{zone: time.UTC}
	input := d.document(text)
	if len(d.wrong) > 0 {
		return beyonduse.Input{}, errors.New(strings.Join(d.wrong, "; "))
	}
	return input, nil
}

// budReader collects what is wrong with the form of a document; paths such as stability[0].hours name the place.
type budReader struct {
	mixReader
	zone *time.Location
}

func (d *budReader) document(text []byte) (in beyonduse.Input) {
	fields := d.fields("", text, budKeys)
	if fields == nil {
		return in
	}
	if name, ok := d.text(fields, "zone"); ok {
		zone, err := time.LoadLocation(name)
		if err != nil || name == "Local" {
			d.say(`zone %q is not known: use an IANA name such as "America/New_York"`, name)
		} else {
			d.zone = zone
		}
	}
	in.Zone = d.zone
	if s, ok := d.text(fields, "started_at"); ok {
		if in.StartedAt, ok = beyonduse.Instant(s); !ok {
			d.say(`started_at %q is no instant: write date, time and offset, such as "2026-06-01T08:30:00-04:00", from %d to %d`, s, beyonduse.FirstYear, beyonduse.LastYear)
		}
	}
	in.Storage = d.storage(fields, "storage")
	if raw, ok := fields["sterility"]; ok {
		in.Sterility = d.sterility(raw)
	}
	in.Table = beyonduse.Shipped()
	for i, raw := range d.list(fields, "stability") {
		in.Stability = append(in.Stability, d.stability(fmt.Sprintf("stability[%d].", i), raw))
	}
	for i, raw := range d.list(fields, "components") {
		in.Components = append(in.Components, d.component(fmt.Sprintf("components[%d].", i), raw))
	}
	if _, ok := fields["cap_hours"]; ok {
		limit := d.hours(fields, "cap_hours")
		in.Cap = &limit
	}
	return in
}

// sterility: immediate use and Category 1 need nothing but the category; the others all four, since a fact left out
// would be guessed.
func (d *budReader) sterility(raw json.RawMessage) (s beyonduse.Sterility) {
	fields := d.fields("sterility.", raw, sterilityKeys)
	s.Category = d.oneOf(fields, "sterility.category", beyonduse.Immediate, beyonduse.Category1, beyonduse.Category2, beyonduse.Category3)
	s.Method = d.oneOf(fields, "sterility.method", beyonduse.Aseptic, beyonduse.Terminal)
	s.Tested = d.fact(fields, "sterility.sterility_tested")
	s.Nonsterile = d.fact(fields, "sterility.nonsterile_component")
	if s.Category == beyonduse.Category2 || s.Category == beyonduse.Category3 {
		for _, key := range []string{"sterility.method", "sterility.sterility_tested", "sterility.nonsterile_component"} {
			if _, ok := fields[key]; !ok {
				d.say("%q is missing: the limits of Category %s depend on it", key, s.Category)
			}
		}
	}
	return s
}

func (d *budReader) stability(path string, raw json.RawMessage) beyonduse.Stability {
	fields := d.fields(path, raw, stabilityKeys)
	source, _ := d.text(fields, path+"source")
	return beyonduse.Stability{Storage: d.storage(fields, path+"storage"), For: d.hours(fields, path+"hours"), Source: source, Confirmed: true}
}

func (d *budReader) component(path string, raw json.RawMessage) (x stock.Component) {
	fields := d.fields(path, raw, componentKeys)
	if fields == nil {
		return x
	}
	x.Name, _ = d.text(fields, path+"name")
	x.Lot, _ = d.text(fields, path+"lot")
	_, expires := fields[path+"expires"]
	_, bud := fields[path+"beyond_use"]
	if expires == bud {
		d.say(`%s needs "expires" (as its maker printed it) or "beyond_use" (compounded or repackaged), one of the two`, strings.TrimSuffix(path, "."))
	}
	var ok bool
	if x.Expires, ok = d.text(fields, path+"expires"); ok {
		if _, err := beyonduse.EndOfExpiry(x.Expires, d.zone); err != nil {
			d.say("%sexpires: %s", path, err)
		}
	}
	if x.BeyondUse, ok = d.text(fields, path+"beyond_use"); ok {
		if _, err := beyonduse.EndOfBeyondUse(x.BeyondUse, d.zone); err != nil {
			d.say("%sbeyond_use: %s", path, err)
		}
	}
	return x
}

func (d *budReader) say(format string, args ...any) {
	d.wrong = append(d.wrong, fmt.Sprintf(format, args...))
}

// fields are an object's values by path; nil if it is no object, which is then said.
func (d *budReader) fields(path string, raw []byte, known map[string]bool) map[string]json.RawMessage {
	fields, err := d.object(path, raw, known)
	if err != nil {
		d.say("%s", err)
		return nil
	}
	return fields
}

func (d *budReader) list(fields map[string]json.RawMessage, path string) (items []json.RawMessage) {
	if raw, ok := fields[path]; ok && json.Unmarshal(raw, &items) != nil {
		d.say("%q must be a list [...]", path)
	}
	return items
}

// text is a string that says something. What is missing was reported as missing.
func (d *budReader) text(fields map[string]json.RawMessage, path string) (s string, ok bool) {
	raw, ok := fields[path]
	if !ok {
		return "", false
	}
	if json.Unmarshal(raw, &s) != nil {
		d.say("%q must be text in quotes, not %s", path, short(raw))
		return "", false
	}
	if strings.TrimSpace(s) == "" {
		d.say("%q is empty: fill it in", path)
		return "", false
	}
	return s, true
}

func (d *budReader) oneOf(fields map[string]json.RawMessage, path string, words ...string) string {
	s, ok := d.text(fields, path)
	if !ok {
		return ""
	}
	if slices.Contains(words, s) {
		return s
	}
	d.say("%q is %q, which is none of %s", path, s, strings.Join(words, ", "))
	return ""
}

func (d *budReader) storage(fields map[string]json.RawMessage, path string) stock.Storage {
	return stock.Storage(d.oneOf(fields, path, string(stock.Room), string(stock.Refrigerator), string(stock.Freezer)))
}

func (d *budReader) fact(fields map[string]json.RawMessage, path string) (b bool) {
	if raw, ok := fields[path]; ok && json.Unmarshal(raw, &b) != nil {
		d.say("%q must be true or false, without quotes, not %s", path, short(raw))
	}
	return b
}

// maxHours keeps durations far from their overflow; 228 years are no limit of a preparation.
const maxHours = 2_000_000

// hours reads a JSON number of hours exactly, cut down to the nanosecond. Whether it is above 0 is not a matter of form.
func (d *budReader) hours(fields map[string]json.RawMessage, path string) time.Duration {
	raw, ok := fields[path]
	if !ok {
		return 0
	}
	text := string(raw)
	_, exponent, _ := strings.Cut(strings.ToLower(text), "e")
	if strings.ContainsAny(text[:1], "-0123456789") && len(text) <= 40 && len(exponent) <= 3 { // no 1e999999999 to be written out
		if h, ok := new(big.Rat).SetString(text); ok && h.Cmp(big.NewRat(maxHours, 1)) <= 0 && h.Cmp(big.NewRat(-maxHours, 1)) >= 0 {
			h.Mul(h, big.NewRat(int64(time.Hour), 1))
			return time.Duration(new(big.Int).Div(h.Num(), h.Denom()).Int64()) // Div rounds down for a positive divisor
		}
	}
	d.say("%q must be a number of hours without quotes, such as 1.5, up to %d, not %s", path, maxHours, short(raw))
	return 0
}

// short keeps a wrong value readable in its sentence.
func short(raw []byte) string {
	const most = 40
	if len(raw) > most {
		return strings.ToValidUTF8(string(raw[:most]), "") + "..."
	}
	return string(raw)
}
