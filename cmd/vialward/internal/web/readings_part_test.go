package web

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/present"
	"vialward/db/dbtest"
	"vialward/tracker/templog"
)

// unannounced posts a body of which nobody says how long it is.
func (s *shop) unannounced(body io.Reader) answer {
	r := httptest.NewRequest(http.MethodPost, readingsPath, struct{ io.Reader }{body})
	r.Host, r.ContentLength = "localhost", -1
	r.Header.Set("Authorization", "Bearer logger")
	r.Header.Set("Content-Type", mediaCSV)
	w := httptest.NewRecorder()
	s.h.ServeHTTP(w, r)
	return answer{w.Code, w.Result().Header, w.Body.Bytes()}
}

// A body that is announced as too long is refused before any of it is read; one that turns out to be too long leaves
// nothing where nothing of it was stored yet, and each says so.
func TestTooLongIsRefusedWhole(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	text := "sensor,at,celsius\n" + strings.Repeat("T1,2025-10-13T10:50:00Z,4.8\n", 40_000)
	announced := httptest.NewRequest(http.MethodPost, readingsPath, struct{ io.Reader }{unread{}})
	announced.Host, announced.ContentLength = "localhost", 1<<20+1
	announced.Header.Set("Authorization", "Bearer logger")
	announced.Header.Set("Content-Type", mediaCSV)
	w := httptest.NewRecorder()
	s.h.ServeHTTP(w, announced)
	p := answer{w.Code, w.Result().Header, w.Body.Bytes()}.problem(t)
	require.Equal(t, http.StatusRequestEntityTooLarge, p.Status)
	require.Equal(t, "The body is longer than 1048576 bytes; send it in parts. Nothing of it was read.", p.Detail)
	require.Equal(t, "close", w.Result().Header.Get("Connection"))

	p = s.unannounced(strings.NewReader(text)).problem(t)
	require.Equal(t, http.StatusRequestEntityTooLarge, p.Status)
	require.Equal(t, "The body is longer than 1048576 bytes; send it in parts. Nothing of it was taken in.", p.Detail)
	require.Nil(t, p.Rows)
	require.Empty(t, read[present.IntakeList](t, s.get("/intakes")).Intakes)
}

// unread must not be.
type unread struct{}

func (unread) Read([]byte) (int, error) { return 0, errors.New("it was read") }

// A post of which a part is on record when it is cut off by the longest body says so: how much, and from which line on
// nothing was read. So does one that becomes noise; and the record shows both.
func TestPostTakenInPart(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.MaxBodyBytes = 36 << 20
	s.h = s.Handler()
	var text bytes.Buffer
	text.WriteString("sensor,at,celsius\n")
	for at := morning.Add(-30 * 24 * time.Hour); text.Len() < 40<<20; at = at.Add(time.Second) {
		text.WriteString("T1,")
		text.Write(at.AppendFormat(text.AvailableBuffer(), time.RFC3339))
		text.WriteString(",4.8\n")
	}
	p := s.unannounced(&text).problem(t)
	require.Equal(t, http.StatusRequestEntityTooLarge, p.Status)
	require.NotNil(t, p.Rows)
	require.Equal(t, templog.Rows{Read: p.Rows.Read, Stored: p.Rows.Read}, *p.Rows)
	require.Greater(t, p.Rows.Stored, int64(1<<20))
	require.Equal(t, int(p.Rows.Read)+2, p.NotRead.FromLine)
	require.Contains(t, p.Detail, fmt.Sprintf("What stands before line %d is taken in as intake 1: %d values read = %d stored", p.NotRead.FromLine, p.Rows.Read, p.Rows.Stored))

	junk := strings.Repeat("x", 5<<20)
	good := "sensor,at,celsius\nT2,2025-10-13T10:50:00Z,4.8\nT2,2025-10-13T10:55:00Z,warm\nnobody,2025-10-13T10:55:00Z,4.8\nT2,2025-10-13T10:55:00Z,\n"
	p = s.readings("logger", mediaCSV, good+junk+"\nT2,2025-10-13T11:00:00Z,4.8\n").problem(t)
	require.Equal(t, http.StatusBadRequest, p.Status)
	require.Equal(t, templog.Rows{Read: 4, Stored: 1, Missing: 1, Refused: 2}, *p.Rows)
	require.Equal(t, 6, p.NotRead.FromLine)
	require.Equal(t, int64(5<<20+29), p.NotRead.Bytes)
	require.Len(t, p.Refused, 3, "two values, and that the rest was not read: %v", p.Refused)
	require.Equal(t, 6, p.Refused[2].Line)

	in := read[present.IntakeList](t, s.get("/intakes")).Intakes
	require.Len(t, in, 2)
	require.Contains(t, in[1].Refused[0].Why, "was not read")
	require.Contains(t, in[0].Refused[2].Why, "the rest, 5242909 bytes, was not read: the line goes on for more than 4 MB")
	require.Zero(t, dbtest.Ask(t, s.dsn, "select count(*) from intake where finished_at is null"))
	require.Equal(t, templog.Rows{Read: 2, Stored: 1, Duplicate: 1}, read[takenIn](t, s.readings("logger", mediaCSV,
		"sensor,at,celsius\nT2,2025-10-13T10:50:00Z,4.8\nT2,2025-10-13T11:00:00Z,4.8\n")).Rows)
}
