package templog

import (
	"bytes"
	"errors"
	"io"
)

const (
	longestRow  = 64 << 10 // a longer line, or a quoted cell that goes on for longer, is refused
	longestLine = 4 << 20  // behind one that goes on for longer than this nothing is looked for
	block       = 1 << 20
	firstBlock  = 16 << 10 // what small posts need
)

// errEndless is a line that is not followed to its end.
var errEndless = errors.New("the line goes on for more than 4 MB")

// The standard library's encoding/csv is not used: it takes a semicolon file for rows of one cell without a word,
// stumbles over a byte order mark before a quote, reads on through the whole file for a quote that is never closed,
// and allocates a string for each row.

// source reads text in blocks and hands out lines and rows of cells that point into its buffer. Lines end in LF, CRLF
// or CR. After fill, a line of up to longestRow bytes lies whole in buf[pos:end] with its line break.
type source struct {
	r        io.Reader
	buf      []byte
	pos, end int
	before   int64 // bytes of the input before buf
	lf, cr   int   // first LF and CR at or after pos; end if there is none; below pos if not looked for yet
	row      int   // where the line read last begins
	eof      bool
	err      error // other than io.EOF, from r
	line     int   // of pos, from 1
	cells    [][]byte
	unquoted []byte // cells with doubled quotes, rewritten
}

func newSource(r io.Reader) *source {
	return &source{r: r, buf: make([]byte, firstBlock), lf: -1, cr: -1, line: 1}
}

// start reads the first block, drops a byte order mark and refuses what is not text.
func (s *source) start() error {
	if !s.fill() {
		return s.err
	}
	if s.pos == s.end {
		return document(0, "the file is empty")
	}
	if bytes.HasPrefix(s.buf[s.pos:s.end], []byte("\xef\xbb\xbf")) {
		s.pos += 3
	}
	return notText(s.buf[s.pos:s.end])
}

// fill makes at least one whole row available where the input has one; false when reading failed.
func (s *source) fill() bool {
	const need = longestRow + 2
	if s.eof || s.err != nil || s.end-s.pos >= need {
		return s.err == nil
	}
	s.before += int64(s.pos)
	s.end = copy(s.buf, s.buf[s.pos:s.end])
	s.pos, s.lf, s.cr = 0, -1, -1
	for idle := 0; s.end < need; {
		if s.end == len(s.buf) {
			s.buf = append(make([]byte, 0, block), s.buf...)[:block]
		}
		n, err := s.r.Read(s.buf[s.end:])
		s.end += n
		switch {
		case err == io.EOF:
			s.eof = true
			return true
		case err != nil:
			s.err = err
			return false
		case n > 0:
			idle = 0
		default:
			if idle++; idle > 100 {
				s.err = io.ErrNoProgress
				return false
			}
		}
	}
	return true
}

// offset is how many bytes of the input lie before pos.
func (s *source) offset() int64 { return s.before + int64(s.pos) }

// lineEnd finds the end of the line at pos and the start of the next one, both -1 when it goes on beyond the buffer.
// The places found are kept, so that a file without LF or without CR is not searched again for each line.
func (s *source) lineEnd() (end, next int) {
	if s.lf < s.pos {
		s.lf = s.find('\n', s.pos)
	}
	if s.cr < s.pos {
		s.cr = s.find('\r', s.pos)
	}
	switch end = min(s.lf, s.cr); {
	case end == s.end && s.eof:
		return end, end
	case end == s.end:
		return -1, -1
	case s.lf == end+1 && s.lf < s.end: // CRLF; a lone LF has its CR elsewhere
		return end, end + 2
	}
	return end, end + 1
}

func (s *source) find(c byte, from int) int {
	if i := bytes.IndexByte(s.buf[from:s.end], c); i >= 0 {
		return from + i
	}
	return s.end
}

// nextLine gives a line without its break. A line that is too long is passed over and comes back with the fault; one that
// is longer than anything is errEndless.
func (s *source) nextLine() (text []byte, line int, f fault, err error) {
	if !s.fill() {
		return nil, s.line, f, s.err
	}
	if s.pos == s.end {
		return nil, s.line, f, io.EOF
	}
	line = s.line
	s.line++
	s.row = s.pos
	end, next := s.lineEnd()
	if end >= 0 && end-s.pos <= longestRow {
		text = s.buf[s.pos:end]
		s.pos = next
		return text, line, f, nil
	}
	begin := s.offset()
	for end < 0 || end+1 == s.end && !s.eof { // the rest is thrown away block by block; a CR waits for its LF
		if s.pos = end; end < 0 {
			s.pos = s.end
		}
		if s.offset()-begin > longestLine {
			break
		}
		if !s.fill() {
			return nil, line, f, s.err
		}
		end, next = s.lineEnd()
	}
	if s.before+int64(max(end, s.pos))-begin > longestLine {
		s.line = line
		return nil, line, f, errEndless
	}
	s.pos = next
	return nil, line, fault{why: "the line is longer than 64 kB"}, nil
}

// nextRow gives the cells of a row and the line it begins in. A quoted cell may hold line breaks; one that never ends,
// or that text follows, spoils its first line only: reading goes on at the line after it.
func (s *source) nextRow(delimiter byte) (cells [][]byte, line int, f fault, err error) {
	text, line, f, err := s.nextLine()
	if err != nil || f.why != "" {
		return nil, line, f, err
	}
	if bytes.IndexByte(text, 0) >= 0 {
		return nil, line, fault{why: "the line has a zero byte in it: the file is damaged here"}, nil
	}
	if bytes.IndexByte(text, '"') >= 0 {
		return s.quotedRow(line, delimiter)
	}
	s.cells = s.cells[:0]
	for {
		i := bytes.IndexByte(text, delimiter)
		if i < 0 {
			s.cells = append(s.cells, text)
			return s.cells, line, f, nil
		}
		s.cells = append(s.cells, text[:i])
		text = text[i+1:]
	}
}

// quotedRow splits the row at s.row, whose first line has been read, where it has quotes (RFC 4180): a cell that begins
// with a quote ends at the next single one, two stand for one; a quote further on in a cell is a character like others.
func (s *source) quotedRow(line int, delimiter byte) ([][]byte, int, fault, error) {
	limit := min(s.end, s.row+longestRow+1) // the line break behind it too
	s.cells, s.unquoted = s.cells[:0], s.unquoted[:0]
	for i := s.row; ; i++ {
		var cell []byte
		if j := s.spaces(i, limit, delimiter); j < limit && s.buf[j] == '"' {
			var f fault
			if cell, i, f = s.quotedCell(j+1, limit); f.why != "" {
				return nil, line, f, nil
			}
			i = s.spaces(i, limit, delimiter)
		} else {
			from := i
			for i < limit && s.buf[i] != delimiter && s.buf[i] != '\n' && s.buf[i] != '\r' {
				i++
			}
			cell = s.buf[from:i]
		}
		s.cells = append(s.cells, cell)
		switch {
		case i == s.end && s.eof, i < limit && (s.buf[i] == '\n' || s.buf[i] == '\r'):
			return s.endQuoted(i, line)
		case i == limit:
			return nil, line, fault{why: "the row is longer than 64 kB"}, nil
		case s.buf[i] != delimiter:
			return nil, line, fault{why: "text follows the closing quote of a cell: a quote inside a quoted cell is written twice"}, nil
		}
	}
}

// quotedCell reads from behind the opening quote; end is behind the closing one.
func (s *source) quotedCell(from, limit int) (cell []byte, end int, f fault) {
	open := fault{why: "a quoted cell begins in this line and does not end within 64 kB"}
	rewritten, start := -1, from
	for i := from; i < limit; {
		q := bytes.IndexByte(s.buf[i:limit], '"')
		if q < 0 {
			return nil, 0, open
		}
		i += q
		if i+1 == s.end || s.buf[i+1] != '"' {
			if rewritten < 0 {
				return s.buf[from:i], i + 1, f
			}
			s.unquoted = append(s.unquoted, s.buf[start:i]...)
			return s.unquoted[rewritten:], i + 1, f
		}
		if rewritten < 0 {
			rewritten = len(s.unquoted)
		}
		s.unquoted = append(s.unquoted, s.buf[start:i+1]...)
		i += 2
		start = i
	}
	return nil, 0, open
}

// endQuoted moves on to the line after a row that ends at i, counting the line breaks inside it.
func (s *source) endQuoted(i, line int) ([][]byte, int, fault, error) {
	if row := s.buf[s.row:i]; bytes.IndexByte(row, 0) >= 0 {
		return nil, line, fault{why: "the row has a zero byte in it: the file is damaged here"}, nil
	} else if i >= s.pos { // it goes on behind its first line
		s.line += bytes.Count(row, []byte{'\n'}) + bytes.Count(row, []byte{'\r'}) - bytes.Count(row, []byte("\r\n"))
		s.pos = i
		_, s.pos = s.lineEnd()
	}
	return s.cells, line, fault{}, nil
}

func (s *source) spaces(i, limit int, delimiter byte) int {
	for i < limit && (s.buf[i] == ' ' || s.buf[i] == '\t') && s.buf[i] != delimiter {
		i++
	}
	return i
}
