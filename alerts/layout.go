package alerts

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"html"
	htmltemplate "html/template"
	"io"
	"io/fs"
	"slices"
	"strings"
	"sync"
	"text/template"
	"unicode/utf8"
)

//go:embed templates/*.tmpl
var embedded embed.FS

// HTMLMax is the largest HTML part, in bytes; mail readers cut long ones off without saying so. A longer one is left
// out whole, and the mail is text alone.
const HTMLMax = 30_000

// lineMax is the width of the text part, below the 78 that RFC 5322, 2.1.1 asks for.
const lineMax = 76

// Mail is what Render makes: ready to be stored.
type Mail struct {
	Kind    Kind
	Subject string
	Text    string
	HTML    string // "" = text alone
}

// Facts is what a mail is made of; Incident, Sweep and the other fact types of this package.
type Facts interface {
	letter(kind Kind) (letter, error)
	site() Site
}

// Layouts are the two templates every letter is laid out by. It is safe for concurrent use.
type Layouts struct {
	text  *template.Template
	html  *htmltemplate.Template
	fault error // why they could not be read
}

// Templates gives the built-in layouts, read once.
var Templates = sync.OnceValue(func() *Layouts { return Parse(embedded) })

// Parse reads templates/mail.txt.tmpl and templates/mail.html.tmpl. It does not fail: layouts that cannot be read make
// every mail one of plain facts, and Render says why each time.
func Parse(files fs.FS) *Layouts {
	funcs := map[string]any{"wrap": wrap, "hang": hang, "under": under, "fill": fill}
	l := &Layouts{}
	var errText, errHTML error
	l.text, errText = template.New("mail.txt.tmpl").Option("missingkey=error").Funcs(funcs).ParseFS(files, "templates/mail.txt.tmpl")
	l.html, errHTML = htmltemplate.New("mail.html.tmpl").Option("missingkey=error").ParseFS(files, "templates/mail.html.tmpl")
	l.fault = errors.Join(errText, errHTML)
	return l
}

// Render words facts as a mail of that kind. The mail is always usable. An error beside it says that a layout failed
// and the mail holds the plain facts, or that the kind does not go with these facts: log it, send the mail.
func (l *Layouts) Render(kind Kind, f Facts) (Mail, error) {
	w, err := f.letter(kind)
	w.Caution = Caution
	w.Foot = append(w.Foot, foot(f.site(), kind))
	m := Mail{Kind: kind, Subject: w.Subject}
	if err == nil {
		err = l.fault
	}
	if err == nil {
		m.Text, err = run(l.text, w)
	}
	if err == nil {
		m.HTML, err = run(l.html, w)
	}
	if err != nil {
		m.Text, m.HTML = plain(w)
		err = fmt.Errorf("words of mail %q: %w", kind, err)
	}
	if len(m.HTML) > HTMLMax {
		m.HTML = ""
	}
	return m, err
}

// ErrKind is a kind that does not go with the facts given.
var ErrKind = errors.New("no such mail")

// expect answers ErrKind when facts were rendered as a mail they are not.
func expect(got Kind, want ...Kind) error {
	if slices.Contains(want, got) {
		return nil
	}
	return fmt.Errorf("%w: %q of facts for %q", ErrKind, got, want)
}

// errMangled is a layout that ran to its end and wrote its own trouble into the mail.
var errMangled = errors.New("the layout printed a formatting fault into the mail")

type executable interface{ Execute(io.Writer, any) error }

func run(t executable, w letter) (string, error) {
	var b bytes.Buffer
	if err := t.Execute(&b, w); err != nil {
		return "", err
	}
	s := b.String()
	own, _ := plain(w) // a mark that the facts themselves hold proves nothing
	for _, mark := range []string{"<no value>", "&lt;no value&gt;", "%!"} {
		if strings.Contains(s, mark) && !strings.Contains(own+w.Subject, html.UnescapeString(mark)) {
			return "", errMangled
		}
	}
	return s, nil
}

// plain lays a letter out by hand: for the night on which a template is broken.
func plain(w letter) (text, markup string) {
	var b strings.Builder
	for _, l := range w.Leads {
		b.WriteString(wrap(l.Label, l.Lines) + "\n")
	}
	for _, s := range w.Sections {
		b.WriteString("\n" + s.Title + "\n")
		for _, i := range s.Items {
			b.WriteString(hang(i.Line))
			for _, u := range i.Sub {
				b.WriteString(under(u))
			}
		}
		b.WriteString(s.Pre)
	}
	b.WriteString("\n" + fill(strings.Join(w.Foot, " ")) + fill(w.Caution))
	text = b.String()
	return text, `<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">` +
		`<title>` + html.EscapeString(w.Subject) + `</title></head><body><pre style="white-space:pre-wrap">` +
		html.EscapeString(text) + "</pre></body></html>\n"
}

// foot says where a mail comes from.
func foot(s Site, kind Kind) string {
	f := oneLine(s.Name) + ": worded by vialward " + s.when(s.Now) + ", kind " + string(kind) + "."
	if s.URL != "" {
		f += " " + s.URL
	}
	return f
}

// labelWidth is the hanging indent beside DO, WHAT and STOCK.
const labelWidth = 6

// wrap sets paragraphs beside a label, each beginning on a line of its own, with a hanging indent.
func wrap(label string, lines []string) string {
	var b strings.Builder
	first := label + strings.Repeat(" ", max(1, labelWidth-utf8.RuneCountInString(label)))
	rest := strings.Repeat(" ", labelWidth)
	for _, l := range lines {
		flow(&b, first, rest, l)
		first = rest
	}
	return b.String()
}

func hang(line string) string  { return flowed("- ", "  ", line) }
func under(line string) string { return flowed("    ", "    ", line) }
func fill(line string) string  { return flowed("", "", line) }

func flowed(first, rest, line string) string {
	var b strings.Builder
	flow(&b, first, rest, line)
	return b.String()
}

// flow writes words into lines of lineMax. A word longer than a line stands alone, uncut: it may be an address.
func flow(b *strings.Builder, first, rest, line string) {
	b.WriteString(first)
	width, fresh := utf8.RuneCountInString(first), true
	for _, w := range unbroken(line) {
		n := utf8.RuneCountInString(w)
		switch {
		case fresh:
			fresh = false
		case width+1+n > lineMax:
			b.WriteString("\n" + rest)
			width = utf8.RuneCountInString(rest)
		default:
			b.WriteByte(' ')
			width++
		}
		b.WriteString(w)
		width += n
	}
	b.WriteByte('\n')
}

// unbroken splits a line into words; a number stays with what it counts, so that no line ends in "4" before "mg/mL".
func unbroken(line string) []string {
	var out []string
	number := false
	for _, w := range strings.Fields(line) {
		if number {
			out[len(out)-1] += " " + w
		} else {
			out = append(out, w)
		}
		number = !number && strings.Trim(w, "(-.0123456789") == ""
	}
	return out
}
