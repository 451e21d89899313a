package render

import (
	"fmt"
	"strings"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"

	"vialward/tracker/label"
	"vialward/tracker/stock"
)

// Label is one to be drawn: what must stand on it first, and what its code says.
type Label struct {
	Lines []label.Line
	Text  string // of the DataMatrix
	GS1   bool   // Text is GS1 data, with FNC1 as ASCII 29
}

// mmPerPoint: 72 points are an inch of 25.4 mm.
const mmPerPoint = 25.4 / 72

// leading is the distance of lines in heights of their type.
const leading = 1.15

// placed is a piece of text where it stands, its baseline's left end in mm.
type placed struct {
	x, y, width float64
	points      float64
	bold        bool
	text        string
}

// setter places lines on a label of one size, measured in the type in which they are printed: the Go fonts, which have
// Latin, Greek and Cyrillic letters.
type setter struct {
	pdf  *fpdf.Fpdf
	size stock.LabelSize
}

func newSetter(size stock.LabelSize) setter {
	pdf := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: mm(size.Width), Ht: mm(size.Height)}})
	pdf.SetMargins(0, 0, 0)
	pdf.SetAutoPageBreak(false, 0)
	pdf.AddUTF8FontFromBytes("Go", "", goregular.TTF)
	pdf.AddUTF8FontFromBytes("Go", "B", gobold.TTF)
	return setter{pdf, size}
}

func mm(m stock.Micrometres) float64 { return float64(m) / 1000 }

func points(millipoints int64) float64 { return float64(millipoints) / 1000 }

func (s setter) width(text string, pt float64, bold bool) float64 {
	style := ""
	if bold {
		style = "B"
	}
	s.pdf.SetFont("Go", style, pt)
	return s.pdf.GetStringWidth(text)
}

// loud says which lines are set large, and which of them bold.
func loud(kind string) (large, bold bool) {
	switch kind {
	case "name", "bud", "warning", "hazard":
		return true, true
	case "strength":
		return true, false
	}
	return false, false
}

// set places all lines that must stand, and of the others, in their order, those that still fit. The short code stands in
// large type at the foot, the symbol at the upper right.
func (s setter) set(lines []label.Line) ([]placed, error) {
	var code label.Line
	keep := make([]bool, len(lines))
	for i, l := range lines {
		keep[i] = l.Must
		if l.Kind == "code" {
			code, keep[i] = l, false
		}
	}
	foot, err := s.foot(code.Text)
	if err != nil {
		return nil, err
	}
	floor := foot.y - foot.points*mmPerPoint
	best, fits := s.flow(lines, keep, floor)
	for !fits && s.size.NameType > s.size.Type { // long names: the large type comes down to that of the rest, no further
		s.size.NameType = max(s.size.Type, s.size.NameType*19/20)
		best, fits = s.flow(lines, keep, floor)
	}
	if !fits {
		return nil, fmt.Errorf("what must stand on the label does not fit on %s, %s x %s mm: use a larger one", s.size.Code, s.size.Width.MM(), s.size.Height.MM())
	}
	for i, l := range lines {
		if l.Must {
			continue
		}
		keep[i] = true
		if more, ok := s.flow(lines, keep, floor); ok {
			best = more
		} else {
			keep[i] = false
		}
	}
	return append(best, foot), nil
}

// foot is the short code, as large as the size says, or as the label is wide.
func (s setter) foot(text string) (placed, error) {
	text = strings.TrimPrefix(text, "Lot-vial ")
	room := mm(s.size.Width - 2*s.size.Margin)
	pt := points(s.size.CodeType)
	if w := s.width(text, pt, true); w > room {
		pt *= room / w
	}
	if pt < points(s.size.Type) {
		return placed{}, fmt.Errorf("the vial's code does not fit on %s, %s mm wide: use a larger label", s.size.Code, s.size.Width.MM())
	}
	return placed{mm(s.size.Margin), mm(s.size.Height-s.size.Margin) - pt*mmPerPoint*0.22, s.width(text, pt, true), pt, true, text}, nil
}

// flow sets the lines that are kept from the top; false where they run past the floor.
func (s setter) flow(lines []label.Line, keep []bool, floor float64) ([]placed, bool) {
	const gap = 1 // mm between type and symbol
	left, top := mm(s.size.Margin), mm(s.size.Margin)
	wide := mm(s.size.Width - 2*s.size.Margin)
	narrow, below := wide-mm(s.size.Symbol)-gap, top+mm(s.size.Symbol)+gap
	var out []placed
	y := top
	for i, l := range lines {
		if !keep[i] {
			continue
		}
		large, bold := loud(l.Kind)
		pt := points(s.size.Type)
		if large {
			pt = points(s.size.NameType)
		}
		height := pt * mmPerPoint * leading
		rest := strings.Fields(l.Text)
		for len(rest) > 0 {
			room := wide
			if y < below {
				room = narrow
			}
			n := s.words(rest, pt, bold, room)
			if n == 0 || y+height > floor {
				return nil, false
			}
			text := strings.Join(rest[:n], " ")
			out = append(out, placed{left, y + pt*mmPerPoint, s.width(text, pt, bold), pt, bold, text})
			rest, y = rest[n:], y+height
		}
	}
	return out, true
}

// words is how many of them stand on a line; 0 = not even one.
func (s setter) words(rest []string, pt float64, bold bool, room float64) int {
	n := 0
	for n < len(rest) && s.width(strings.Join(rest[:n+1], " "), pt, bold) <= room {
		n++
	}
	return n
}
