package templog

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"
)

// DocumentError says that the input, or the layout that describes it, is not what was announced: what is wrong, where,
// and what to do. Nothing of such a document should be kept, unless what stands before that line is Sound: then reading
// only stopped there, because nothing useful can follow, and whoever keeps the one part says that the other was not read.
type DocumentError struct {
	Line  int // 0 where no line is to blame
	Why   string
	Sound bool
}

func (e *DocumentError) Error() string {
	if e.Line == 0 {
		return e.Why
	}
	return fmt.Sprintf("line %d: %s", e.Line, e.Why)
}

func document(line int, format string, args ...any) error {
	return &DocumentError{Line: line, Why: fmt.Sprintf(format, args...)}
}

// notText recognises, from the first bytes, files that are no UTF-8 text at all, and says how to make one of them.
func notText(head []byte) error {
	const save = "save or export it again as CSV in UTF-8"
	switch {
	case bytes.HasPrefix(head, []byte("\xff\xfe")), bytes.HasPrefix(head, []byte("\xfe\xff")):
		return document(1, "the file is UTF-16 text: %s", save)
	case bytes.HasPrefix(head, []byte("PK\x03\x04")), bytes.HasPrefix(head, []byte("\xd0\xcf\x11\xe0")):
		return document(1, "the file is a spreadsheet or an archive, not text: open it and %s", save)
	case bytes.HasPrefix(head, []byte("\x1f\x8b")):
		return document(1, "the file is compressed: unpack it first")
	}
	head = head[:min(len(head), 512)]
	if n := bytes.Count(head, []byte{0}); n > 0 && 3*n >= len(head) { // half of the bytes of UTF-16 without a mark
		return document(1, "the file has zero bytes in its text, as UTF-16 has: %s", save)
	}
	return nil
}

// delimiters that logs are written with, and how a layout names them.
var delimiters = []struct {
	c    byte
	name string
}{{',', `","`}, {';', `";"`}, {'\t', `"\t"`}, {'|', `"|"`}}

// likelyDelimiter is the one a header line seems to be written with; 0 if it has none.
func likelyDelimiter(header []byte) (c byte, name string) {
	most := 0
	for _, d := range delimiters {
		if n := bytes.Count(header, []byte{d.c}); n > most {
			c, name, most = d.c, d.name, n
		}
	}
	return c, name
}

// noColumn is the error for a header that lacks a column: it lists what is there, and names the delimiter if another
// one than the one read with explains it.
func noColumn(line int, missing []string, columns []string, header []byte, delimiter byte) error {
	say := fmt.Sprintf("no column %s in the header; it has %s", quoted(missing), quoted(columns))
	switch c, name := likelyDelimiter(header); {
	case c != 0 && c != delimiter:
		return document(line, "%s. The line seems to be separated by %s: say so in a layout, delimiter = %s", say, name, name)
	case !utf8.Valid(header):
		return document(line, "%s. The header is not UTF-8: save the file as UTF-8, or give the column by its number", say)
	}
	return document(line, "%s. Give a column's name as the header writes it, or its number from 1; if lines stand above the header, say how many with skip_lines", say)
}

// quoted lists names for a message, at most twenty of them.
func quoted(names []string) string {
	const most = 20
	var b strings.Builder
	for i, n := range names {
		if i == most {
			fmt.Fprintf(&b, " and %d more", len(names)-most)
			break
		}
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(excerpt([]byte(n)))
	}
	if len(names) == 0 {
		return "none"
	}
	return b.String()
}

// excerpt quotes text of a log for a message: short, printable, without invalid UTF-8.
func excerpt(text []byte) string {
	const longest = 40
	if len(text) <= longest {
		return fmt.Sprintf("%q", text)
	}
	cut := longest
	for cut > longest-utf8.UTFMax && !utf8.RuneStart(text[cut]) {
		cut--
	}
	return fmt.Sprintf("%q...", text[:cut])
}
