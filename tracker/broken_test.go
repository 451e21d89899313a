package tracker_test

import (
	"errors"
	"io"
)

var errCut = errors.New("the line was cut")

// cutReader gives so many bytes and then fails.
type cutReader struct {
	r    io.Reader
	left int
}

func (c *cutReader) Read(b []byte) (int, error) {
	if c.left <= 0 {
		return 0, errCut
	}
	n, err := c.r.Read(b[:min(len(b), c.left)])
	c.left -= n
	return n, err
}
