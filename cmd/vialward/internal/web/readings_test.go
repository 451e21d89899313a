package web

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker/templog"
)

func (s *shop) readings(token, media, body string) answer {
	return s.send(http.MethodPost, readingsPath, token, media, body)
}

// The same three readings, one of them missing, in each form that is taken, and sent once more: harmless.
func TestReadingsInEachForm(t *testing.T) {
	t.Parallel()
	for media, body := range map[string]string{
		"text/csv":                  "sensor,at,celsius\nT1,2025-10-13T06:50:00-04:00,4.8\nT1,2025-10-13T10:55:00Z,\nT1,2025-10-13T11:00:00Z,5.1\n",
		"text/csv; charset=UTF-8":   "sensor,at,fahrenheit\nT1,2025-10-13T06:50:00-0400,40.64\nT1,2025-10-13T10:55:00Z,\nT1,2025-10-13T11:00:00Z,41.18\n",
		"application/json":          `[{"sensor":"T1","at":"2025-10-13T06:50:00-04:00","celsius":4.8},{"sensor":"T1","at":"2025-10-13T10:55:00Z","celsius":null},{"sensor":"T1","at":"2025-10-13T11:00:00Z","celsius":5.1}]`,
		"application/x-ndjson":      "{\"sensor\":\"T1\",\"at\":\"2025-10-13T06:50:00-04:00\",\"celsius\":4.8}\n{\"sensor\":\"T1\",\"at\":\"2025-10-13T10:55:00Z\",\"celsius\":null}\n{\"sensor\":\"T1\",\"at\":\"2025-10-13T11:00:00Z\",\"celsius\":5.1}\n",
		"APPLICATION/JSON; a=\"b\"": `[{"sensor":"T1","at":"2025-10-13T10:50:00Z","celsius":4.8},{"sensor":"T1","at":"2025-10-13T10:55:00Z","celsius":null},{"sensor":"T1","at":"2025-10-13T11:00:00Z","celsius":5.1}]`,
	} {
		s := newShop(t)
		require.Equal(t, takenIn{templog.Rows{Read: 3, Stored: 2, Missing: 1}, []templog.Refusal{}}, read[takenIn](t, s.readings("logger", media, body)), media)
		require.Equal(t, takenIn{templog.Rows{Read: 3, Duplicate: 2, Missing: 1}, []templog.Refusal{}}, read[takenIn](t, s.readings("logger", media, body)), media)
		got := read[present.Readings](t, s.get("/units/R1/readings"))
		require.Len(t, got.Sensors, 1)
		require.Equal(t, []present.Reading{
			{At: "2025-10-13T06:50:00-04:00", Celsius: 4.6, RawCelsius: 4.8}, {At: "2025-10-13T07:00:00-04:00", Celsius: 4.9, RawCelsius: 5.1},
		}, got.Sensors[0].Readings, "raw, and corrected by the certificate's -0.2")
	}
}

// Part of a post may be refused; the rest is taken, and the answer says which line and why.
func TestReadingsRefusedInPart(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	body := "sensor,at,celsius\nT1,2025-10-13T10:50:00Z,4.8\nT9,2025-10-13T10:50:00Z,4.8\nT1,2025-10-13T10:55:00Z,warm\nT1,2025-10-13T13:00:00Z,4.8\n"
	got := read[takenIn](t, s.readings("logger", mediaCSV, body))
	require.Equal(t, templog.Rows{Read: 4, Stored: 1, Refused: 3}, got.Rows)
	require.Len(t, got.Refused, 3)
	for i, say := range []string{`sensor "T9" is not set up`, "warm", "from the future"} {
		require.Equal(t, i+3, got.Refused[i].Line)
		require.Contains(t, got.Refused[i].Why, say)
	}
	got = read[takenIn](t, s.readings("logger-T2", mediaCSV, "sensor,at,celsius\nT1,2025-10-13T10:59:00Z,4.8\nT2,2025-10-13T10:59:00Z,4.8\n"))
	require.Equal(t, templog.Rows{Read: 2, Stored: 1, Refused: 1}, got.Rows, "a token of some sensors writes those")
	require.Contains(t, got.Refused[0].Why, "may not write")
	in := read[present.IntakeList](t, s.get("/intakes")).Intakes
	require.Len(t, in, 2)
	require.Equal(t, "log-1 from 192.0.2.1", in[1].Name)
	require.Equal(t, "http", in[1].Source)
	require.Equal(t, got.Rows, in[0].Rows)
}

// What is no document of readings is refused whole, and nothing of it is kept.
func TestReadingsRefusedWhole(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	noise := make([]byte, 200_000)
	source := rand.NewChaCha8([32]byte{7})
	_, _ = source.Read(noise)
	good := "sensor,at,celsius\nT1,2025-10-13T10:50:00Z,4.8\n"
	for name, x := range map[string]struct {
		media, body string
		status      int
		say         string
	}{
		"a spreadsheet":    {"application/vnd.ms-excel", good, http.StatusUnsupportedMediaType, "text/csv, application/json, application/x-ndjson"},
		"no media type":    {"", good, http.StatusUnsupportedMediaType, "text/csv"},
		"Latin 1":          {"text/csv; charset=iso-8859-1", good, http.StatusUnsupportedMediaType, "send UTF-8"},
		"too long":         {mediaCSV, good + strings.Repeat("T1,2025-10-13T10:50:00Z,4.8\n", 40_000), http.StatusRequestEntityTooLarge, "longer than 1048576 bytes"},
		"empty CSV":        {mediaCSV, "", http.StatusBadRequest, "empty"},
		"other columns":    {mediaCSV, "probe;zeit;wert\nT1;1;2\n", http.StatusBadRequest, "delimiter"},
		"noise as CSV":     {mediaCSV, string(noise), http.StatusBadRequest, ""},
		"noise as JSON":    {mediaJSON, string(noise), http.StatusBadRequest, "array"},
		"noise by lines":   {mediaNDJSON, strings.Repeat("{]\n", 2000), http.StatusBadRequest, "not one of the first"},
		"an object":        {mediaJSON, `{"sensor":"T1"}`, http.StatusBadRequest, "not an array"},
		"an array cut off": {mediaJSON, `[{"sensor":"T1","at":"2025-10-13T10:50:00Z","celsius":4.8},`, http.StatusBadRequest, "behind 1 values"},
	} {
		a := s.readings("logger", x.media, x.body)
		require.Equal(t, x.status, a.status, "%s: %s", name, a.body)
		require.Contains(t, a.problem(t).Detail, x.say, name)
	}
	require.Empty(t, read[present.IntakeList](t, s.get("/intakes")).Intakes)
	require.Empty(t, read[present.Readings](t, s.get("/units/R1/readings")).Sensors[0].Readings)
}

// A hundred loggers that send the same at once store it once.
func TestSameReadingsAHundredTimesAtOnce(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	const readings, senders = 20, 100
	var body bytes.Buffer
	body.WriteString("sensor,at,celsius\n")
	for i := range readings {
		fmt.Fprintf(&body, "T%d,%s,4.%d\n", 1+i%2, morning.Add(-time.Duration(i)*5*time.Minute).Format(time.RFC3339), i%10)
	}
	answers := make([]answer, senders)
	var sent sync.WaitGroup
	for i := range senders {
		sent.Go(func() { answers[i] = s.readings("logger", mediaCSV, body.String()) })
	}
	sent.Wait()
	var sum templog.Rows
	for _, a := range answers {
		r := read[takenIn](t, a).Rows
		require.Equal(t, r.Read, r.Stored+r.Duplicate)
		sum.Read, sum.Stored, sum.Duplicate = sum.Read+r.Read, sum.Stored+r.Stored, sum.Duplicate+r.Duplicate
	}
	require.Equal(t, templog.Rows{Read: senders * readings, Stored: readings, Duplicate: (senders - 1) * readings}, sum)
	require.Len(t, read[present.Readings](t, s.get("/units/R1/readings?to=2025-10-13T12:00:00Z")).Sensors[0].Readings, readings/2)
}

// One post is one small request of a logger; the figure to look at is its time at one connection.
func BenchmarkPostOneReading(b *testing.B) {
	s := newShop(b)
	at := morning.Add(-24 * time.Hour)
	for b.Loop() {
		at = at.Add(time.Second)
		a := s.readings("logger", mediaCSV, "sensor,at,celsius\nT1,"+at.Format(time.RFC3339)+",4.8\n")
		require.Equal(b, http.StatusOK, a.status)
	}
}
