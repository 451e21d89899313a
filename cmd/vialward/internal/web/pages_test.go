package web_test

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestTry(t *testing.T) {
	n := newNight(t, nil)
	for _, p := range []string{"/", "/units/R1", "/stock", "/cases", "/sweeps", "/sweeps/now", "/sweeps/1", "/outbox", "/outbox/1", "/find?q=mica"} {
		s, b := n.page(t, p)
		if s != 200 {
			t.Log(p, s, b)
		}
		require.Equal(t, http.StatusOK, s, p)
		if p == "/" {
			t.Log(b)
		}
	}
}
