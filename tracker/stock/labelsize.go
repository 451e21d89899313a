package stock

import "slices"

// Micrometres are lengths on paper, as a printer is told them: 40 mm are 40 000.
type Micrometres int64

// MM is a length as a decimal of millimetres.
func (m Micrometres) MM() string { return SayMilli(int64(m)) }

// LabelSize is a label as the printer holds it.
type LabelSize struct {
	Code     string      `json:"code"`
	Name     string      `json:"name"`
	Width    Micrometres `json:"width_um"`
	Height   Micrometres `json:"height_um"`
	Margin   Micrometres `json:"margin_um"`
	Symbol   Micrometres `json:"symbol_um"`             // side of the square in which the DataMatrix stands
	NameType int64       `json:"name_type_millipoints"` // of name, strength and BUD
	Type     int64       `json:"type_millipoints"`      // of everything else
	CodeType int64       `json:"code_type_millipoints"` // of the short code
	Overwrap bool        `json:"overwrap,omitempty"`
}

// ShippedLabels are the sizes of a site that names none: our own choice, to be changed with the printer's stock.
func ShippedLabels() []LabelSize {
	return []LabelSize{
		{Code: "VIAL-2", Name: "2 mL vial", Width: 50_000, Height: 25_000, Margin: 1_000, Symbol: 12_000, NameType: 6_000, Type: 4_500, CodeType: 9_000},
		{Code: "VIAL-10", Name: "10 mL vial and larger", Width: 60_000, Height: 35_000, Margin: 1_500, Symbol: 14_000, NameType: 7_500, Type: 5_500, CodeType: 11_000},
		{Code: "OVERWRAP", Name: "light-protecting overwrap, or a bag", Width: 80_000, Height: 50_000, Margin: 2_000, Symbol: 16_000, NameType: 10_000, Type: 7_000, CodeType: 14_000, Overwrap: true},
	}
}

// LabelSizes are the site's own, or the shipped ones.
func (s *Site) LabelSizes() []LabelSize {
	if len(s.Labels) > 0 {
		return s.Labels
	}
	return ShippedLabels()
}

// LabelSize by code.
func (s *Site) LabelSize(code string) (LabelSize, bool) {
	all := s.LabelSizes()
	i := slices.IndexFunc(all, func(l LabelSize) bool { return l.Code == code })
	if i < 0 {
		return LabelSize{}, false
	}
	return all[i], true
}

// labels checks what can be printed and read: 4 pt is the least type looked at (our own choice), and a symbol of 24 modules
// at 0.25 mm with its quiet zone needs 7 mm (GS1 General Specifications, healthcare: M).
func (c *checker) labels() {
	for i, l := range c.site.Labels {
		at := c.code("labels", i, l.Code, "label")
		c.when(l.Width < 10_000 || l.Width > 300_000, at+".width", "a label is from 10 to 300 mm wide, not %s", l.Width.MM())
		c.when(l.Height < 8_000 || l.Height > 300_000, at+".height", "a label is from 8 to 300 mm high, not %s", l.Height.MM())
		c.when(l.Margin < 0 || 2*l.Margin >= min(l.Width, l.Height), at+".margin", "the margins leave no room")
		c.when(l.Symbol < 7_000 || l.Symbol+2*l.Margin > min(l.Width, l.Height), at+".symbol", "the code's side is from 7 mm to what the label holds, not %s", l.Symbol.MM())
		for _, t := range []struct {
			key  string
			size int64
		}{{".name_type", l.NameType}, {".type", l.Type}, {".code_type", l.CodeType}} {
			c.when(t.size < 4_000 || t.size > 40_000, at+t.key, "type is from 4 to 40 pt")
		}
	}
}
