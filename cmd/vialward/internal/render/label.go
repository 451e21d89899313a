package render

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/boombuler/barcode/datamatrix"

	"vialward/tracker"
	"vialward/tracker/label"
	"vialward/tracker/stock"
)

// symbol is a DataMatrix as runs of dark modules.
type symbol struct {
	side int
	runs []run
}

type run struct{ x, y, long int }

// dataMatrix draws GS1 data with FNC1 at its head and for each separator, anything else as it stands (ISO/IEC 16022; GS1
// General Specifications: M; read back in the tests by another's decoder).
func dataMatrix(text string, gs1 bool) (symbol, error) {
	for _, r := range text {
		if r > 126 || r < ' ' && string(r) != label.GS {
			return symbol{}, fmt.Errorf("%q has a character that no code on a label holds", text)
		}
	}
	if gs1 {
		fnc1 := string([]byte{datamatrix.FNC1})
		text = fnc1 + strings.ReplaceAll(text, label.GS, fnc1)
	}
	code, err := datamatrix.Encode(text)
	if err != nil {
		return symbol{}, fmt.Errorf("make the code of a label: %w", err)
	}
	b := code.Bounds()
	if b.Dx() != b.Dy() {
		return symbol{}, fmt.Errorf("the code of a label came out as %d x %d modules, not square", b.Dx(), b.Dy())
	}
	s := symbol{side: b.Dx()}
	for y := range s.side {
		for x := 0; x < s.side; x++ {
			from := x
			for x < s.side {
				if r, _, _, _ := code.At(b.Min.X+x, b.Min.Y+y).RGBA(); r > 0x7fff {
					break
				}
				x++
			}
			if x > from {
				s.runs = append(s.runs, run{from, y, x - from})
			}
		}
	}
	return s, nil
}

// drawn is a label ready for any kind of paper: type and modules, in mm.
type drawn struct {
	texts  []placed
	symbol symbol
	module float64
	x, y   float64 // of the symbol's upper left corner
}

func (s setter) draw(l Label) (drawn, error) {
	texts, err := s.set(l.Lines)
	if err != nil {
		return drawn{}, err
	}
	m, err := dataMatrix(l.Text, l.GS1)
	if err != nil {
		return drawn{}, err
	}
	const quiet = 2 // modules around it in all: one on each side (ISO/IEC 16022: M)
	module := mm(s.size.Symbol) / float64(m.side+quiet)
	x := mm(s.size.Width-s.size.Margin-s.size.Symbol) + module
	return drawn{texts, m, module, x, mm(s.size.Margin) + module}, nil
}

// LabelFrom is a printed label, ready to be drawn; the error says what the record lacks for it.
func LabelFrom(p tracker.PrintedLabel) (Label, error) {
	lines, err := label.Lines(p.Facts)
	if err != nil {
		return Label{}, err
	}
	text, gs1, err := p.Text()
	return Label{Lines: lines, Text: text, GS1: gs1}, err
}

// LabelPDF writes labels of one size, one a page, in exact millimetres. at is when they are printed: the same labels at the
// same time give the same bytes.
func LabelPDF(w io.Writer, size stock.LabelSize, labels []Label, at time.Time) error {
	if len(labels) == 0 {
		return errors.New("there is no label to print")
	}
	s := newSetter(size)
	p := s.pdf
	p.SetCreationDate(at)
	p.SetModificationDate(at)
	p.SetCatalogSort(true)
	p.SetTitle("Labels", true)
	p.SetSubject(stock.Caution, true)
	for _, l := range labels {
		d, err := s.draw(l)
		if err != nil {
			return err
		}
		p.AddPage()
		p.SetFillColor(0, 0, 0)
		for _, r := range d.symbol.runs {
			p.Rect(d.x+float64(r.x)*d.module, d.y+float64(r.y)*d.module, float64(r.long)*d.module, d.module, "F")
		}
		for _, t := range d.texts {
			style := ""
			if t.bold {
				style = "B"
			}
			p.SetFont("Go", style, t.points)
			p.Text(t.x, t.y, t.text)
		}
	}
	if err := p.Output(w); err != nil {
		return fmt.Errorf("write the labels: %w", err)
	}
	return nil
}

// LabelSVG is one label as a picture with its size in millimetres. Each piece of text is as wide as on paper, whatever type
// the reader has.
func LabelSVG(size stock.LabelSize, l Label) (string, error) {
	s := newSetter(size)
	d, err := s.draw(l)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	width, height := size.Width.MM(), size.Height.MM()
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%smm" height="%smm" viewBox="0 0 %s %s" role="img" aria-label="`, width, height, width, height)
	var words []string
	for _, x := range l.Lines {
		words = append(words, x.Text)
	}
	escape(&b, strings.Join(words, "; "))
	fmt.Fprintf(&b, `"><rect width="%s" height="%s" fill="#ffffff"/><path fill="#000000" d="`, width, height)
	for _, r := range d.symbol.runs {
		fmt.Fprintf(&b, "M%.4f %.4fh%.4fv%.4fh-%.4fz", d.x+float64(r.x)*d.module, d.y+float64(r.y)*d.module, float64(r.long)*d.module, d.module, float64(r.long)*d.module)
	}
	b.WriteString(`"/><g fill="#000000" font-family="Liberation Sans, Arial, sans-serif">`)
	for _, t := range d.texts {
		weight := "normal"
		if t.bold {
			weight = "bold"
		}
		fmt.Fprintf(&b, `<text x="%.3f" y="%.3f" font-size="%.3f" font-weight="%s" textLength="%.3f" lengthAdjust="spacingAndGlyphs">`, t.x, t.y, t.points*mmPerPoint, weight, t.width)
		escape(&b, t.text)
		b.WriteString("</text>")
	}
	b.WriteString("</g></svg>")
	return b.String(), nil
}

func escape(b *strings.Builder, text string) {
	_ = xml.EscapeText(b, []byte(text)) // a Builder takes everything
}
