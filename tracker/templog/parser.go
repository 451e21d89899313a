package templog

import (
	"errors"
	"fmt"
	"io"
	"time"
)

// Options is what is known about a log from elsewhere than its layout.
type Options struct {
	Zone *time.Location // of wall times, where the layout names none; the plain and the JSON forms carry their offsets
	Unit string         // UCUM "Cel" or "[degF]", where the layout names none; "" if it is not known
}

// Parser reads one log. Not for use by several goroutines at once.
type Parser struct {
	tally
	s     *source
	names []string
	index map[string]int32
	last  int32 // the sensor of the row before
	ready []Value
	head  int               // of ready, what was not given out yet
	fast  func([]Value) int // rows of the plain form in their usual spelling; nil in other forms
	step  func() error      // one row into ready; io.EOF once, when all that was held back is there too
	err   error

	line         int   // where reading stopped, once it has
	at, valuedTo int64 // bytes up to there; bytes up to the end of the last row with a value
}

func newParser(r io.Reader) (*Parser, error) {
	p := &Parser{s: newSource(r), index: map[string]int32{}, last: -1}
	return p, p.reading(p.s.start())
}

// NewParser reads the head of a log in the plain form (layout nil) or in the form the layout describes. It gives a
// *DocumentError where the layout has mistakes, a unit or zone is missing, or the header lacks the columns named.
func NewParser(r io.Reader, layout *Layout, o Options) (*Parser, error) {
	p, err := newParser(r)
	if err != nil {
		return nil, err
	}
	if layout == nil {
		err = p.startPlain(o)
	} else {
		err = p.startTable(layout, o)
	}
	p.valuedTo = p.s.offset()
	return p, p.reading(err)
}

// Next fills buf with good values, in the order of their rows; those of a repeated hour come later, when it is known
// which hour they belong to. It gives io.EOF when there are no more, a *DocumentError where the input turns out not to
// be the document described, and any other error from reading.
func (p *Parser) Next(buf []Value) (n int, err error) {
	for n < len(buf) {
		if p.head < len(p.ready) {
			c := copy(buf[n:], p.ready[p.head:])
			n, p.head = n+c, p.head+c
			continue
		}
		if p.err != nil {
			break
		}
		p.ready, p.head = p.ready[:0], 0
		if p.fast != nil {
			if n += p.fast(buf[n:]); n == len(buf) {
				break
			}
		}
		p.line, p.at = p.s.line, p.s.offset()
		err := p.step()
		if !errors.Is(err, errEndless) {
			p.line, p.at = p.s.line, p.s.offset()
		}
		p.err = p.reading(err)
	}
	if n > 0 {
		return n, nil
	}
	return 0, p.err
}

// Sensors are the names of the log's sensors, by Value.Sensor. The list grows while the log is read.
func (p *Parser) Sensors() []string { return p.names }

// Rows counts the values so far: Read, Missing and Refused. Whether a good value is stored, a duplicate or conflicting
// is for the caller to say, who knows the others.
func (p *Parser) Rows() Rows { return p.rows }

// Refused lists what was refused so far by line: the first 10,000 values, then one entry for how many more.
func (p *Parser) Refused() []Refusal { return p.list() }

// At is the line before which reading stopped or is now, and how many bytes stand before it.
func (p *Parser) At() (line int, bytes int64) {
	if p.err != nil {
		return p.line, p.at
	}
	return p.s.line, p.s.offset()
}

// reading says what was being done when the reader failed; the end and a wrong document stay what they are.
func (p *Parser) reading(err error) error {
	switch {
	case errors.Is(err, errEndless):
		return p.stop(p.s.line, "%s, and a row has 64 kB at most: there is no log from here on", err)
	case err == nil || !errors.Is(err, p.s.err):
		return err
	}
	return fmt.Errorf("reading the log at line %d: %w", p.s.line, err)
}

// How much of nothing a log may have in a row: at its start, and where values stood before it, as a sheet does that was
// saved with all its empty rows.
const (
	mostEmpty      = 1 << 20 // bytes
	mostEmptyLater = 16 << 20
)

// empty is told of each row without any value.
func (p *Parser) empty(advice string) error {
	most := int64(mostEmpty)
	if p.sound {
		most = mostEmptyLater
	}
	if p.s.offset()-p.valuedTo <= most {
		return nil
	}
	return p.stop(p.s.line, "the %d MB before this line hold no value. %s", most>>20, advice)
}

// noise is told of each row with a value, good or not; dated says that it was a row, whatever its values. It is an error
// when no row was sound among the first ones, or when none was a row any more among many.
func (p *Parser) noise(dated bool, advice string) error {
	p.valuedTo = p.s.offset()
	if p.lost++; dated {
		p.lost = 0
	}
	if p.sound {
		if p.lost < mostLost {
			return nil
		}
		return p.stop(p.s.line, "not one of the %d rows before this line could be read. %s", mostLost, advice)
	}
	if p.rows.Refused == 0 {
		return nil
	}
	if p.useless++; p.useless < mostUseless {
		return nil
	}
	first := p.refused[0]
	return document(first.Line, "not one of the first %d rows could be read; of the first of them: %s. %s", mostUseless, first.Why, advice)
}

// sensor gives the number of a name, a new one if it was not there yet and may be.
func (p *Parser) sensor(name []byte) (int32, fault) {
	if p.last >= 0 && string(name) == p.names[p.last] {
		return p.last, fault{}
	}
	if i, ok := p.index[string(name)]; ok {
		p.last = i
		return i, fault{}
	}
	if f := sensorFault(name); f.why != "" {
		return 0, f
	}
	if len(p.names) == mostSensors {
		return 0, fault{"%s is one sensor more than the 10,000 a log may have: is sensor_column the right column?", name}
	}
	i := int32(len(p.names))
	p.names = append(p.names, string(name))
	p.index[p.names[i]] = i
	p.last = i
	return i, fault{}
}

// hold puts a good value where Next gives it out.
func (p *Parser) hold(v Value) {
	p.rows.Read++
	p.ready = append(p.ready, v)
}
