package intake

import (
	"errors"
	"io"

	"vialward/tracker"
	"vialward/tracker/templog"
)

// Whole is a small log that has been read to its end: nothing about it as a document can go wrong any more, and it can be
// taken in again if it has to be.
type Whole struct {
	values  []templog.Value
	sensors []string
	rows    templog.Rows
	refused []templog.Refusal
}

// ReadWhole reads a log that is known to be small.
func ReadWhole(p *templog.Parser) (*Whole, error) {
	w := &Whole{}
	room := make([]templog.Value, 64)
	for {
		n, err := p.Next(room)
		w.values = append(w.values, room[:n]...)
		if errors.Is(err, io.EOF) {
			w.sensors, w.rows, w.refused = p.Sensors(), p.Rows(), p.Refused()
			return w, nil
		}
		if err != nil {
			return nil, err
		}
	}
}

// fromStart reads it once more.
func (w *Whole) fromStart() tracker.Values { return &reread{Whole: w, left: w.values} }

// reread is tracker.Values.
type reread struct {
	*Whole
	left []templog.Value
}

func (r *reread) Next(buf []templog.Value) (int, error) {
	n := copy(buf, r.left)
	if r.left = r.left[n:]; n == 0 {
		return 0, io.EOF
	}
	return n, nil
}

func (r *reread) Sensors() []string          { return r.sensors }
func (r *reread) Rows() templog.Rows         { return r.rows }
func (r *reread) Refused() []templog.Refusal { return r.refused }
func (r *reread) At() (int, int64)           { return 0, 0 } // it was read to its end
