package calc_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/calc"
	"vialward/tracker/templog"
)

const thermalData = "../../../../testdata/thermal/"

func mkt(t *testing.T, log string, o calc.MktOptions) (calc.Result, calc.Temperatures) {
	t.Helper()
	if o.MaxGap == 0 {
		o.MaxGap = calc.DefaultMaxGap
	}
	r, err := calc.Mkt(strings.NewReader(log), o)
	require.NoError(t, err)
	doc, ok := r.Document.(calc.Temperatures)
	require.True(t, ok)
	rows := doc.Rows
	require.Equal(t, rows.Read, rows.Stored+rows.Duplicate+rows.Conflicting+rows.Missing+rows.Refused, "the classes add up")
	return r, doc
}

// night.json was computed apart from this code (brute-force Simpson, every window integrated anew).
func TestMktNight(t *testing.T) {
	log, err := os.ReadFile(thermalData + "night.csv")
	require.NoError(t, err)
	result, doc := mkt(t, string(log), calc.MktOptions{})
	text, err := os.ReadFile(thermalData + "night.json")
	require.NoError(t, err)
	type span struct {
		From      float64  `json:"from"`
		To        float64  `json:"to"`
		Kind      string   `json:"kind"`
		WorstFrom *float64 `json:"worst_from"`
		WorstTo   *float64 `json:"worst_to"`
		Minutes   float64  `json:"minutes"`
		Extreme   float64  `json:"extreme_celsius"`
		MKT       float64  `json:"mkt_celsius"`
	}
	var want struct {
		Sensors []struct {
			Sensor   string   `json:"sensor"`
			Readings int      `json:"readings"`
			From     float64  `json:"from"`
			To       float64  `json:"to"`
			Coverage float64  `json:"coverage"`
			Min      float64  `json:"min_celsius"`
			Max      float64  `json:"max_celsius"`
			Mean     *float64 `json:"mean_celsius"`
			MKT      *float64 `json:"mkt_celsius"`
			Worst    *span    `json:"worst_24h"`
			Gaps     []span   `json:"gaps"`
			Spells   []span   `json:"excursions"`
		} `json:"sensors"`
		Rows templog.Rows `json:"rows"`
	}
	require.NoError(t, json.Unmarshal(text, &want))
	near := func(seconds float64, got time.Time, what string) {
		t.Helper()
		require.InDelta(t, seconds, float64(got.UnixMicro())/1e6, 2e-6, what)
	}
	maybe := func(seconds *float64, got *time.Time, what string) {
		t.Helper()
		require.Equal(t, seconds == nil, got == nil, what)
		if got != nil {
			near(*seconds, *got, what)
		}
	}
	require.Equal(t, want.Rows, doc.Rows)
	require.Equal(t, 3, result.Exit, "some of the data was refused")
	require.Len(t, doc.Refused, 2)
	require.Len(t, doc.Sensors, len(want.Sensors))
	for i, w := range want.Sensors {
		g := doc.Sensors[i]
		require.Equal(t, w.Sensor, g.Sensor)
		require.Equal(t, w.Readings, g.Readings)
		near(w.From, *g.From, "from")
		near(w.To, *g.To, "to")
		require.InDelta(t, w.Coverage, *g.Coverage, 1e-12)
		require.InDelta(t, w.Min, *g.MinCelsius, 0)
		require.InDelta(t, w.Max, *g.MaxCelsius, 0)
		require.Equal(t, w.Mean == nil, g.MeanCelsius == nil)
		require.Equal(t, w.Worst == nil, g.Worst24h == nil)
		if w.Mean != nil {
			require.InDelta(t, *w.Mean, *g.MeanCelsius, 1e-9)
			require.InDelta(t, *w.MKT, *g.MKTCelsius, 1e-9)
			near(w.Worst.From, g.Worst24h.From, "worst window")
			near(w.Worst.To, g.Worst24h.To, "worst window")
			require.InDelta(t, w.Worst.MKT, g.Worst24h.MKTCelsius, 1e-9)
		}
		require.Len(t, g.Gaps, len(w.Gaps))
		for j, gap := range w.Gaps {
			near(gap.From, g.Gaps[j].From, "gap")
			near(gap.To, g.Gaps[j].To, "gap")
		}
		require.Len(t, g.Excursions, len(w.Spells))
		for j, x := range w.Spells {
			y := g.Excursions[j]
			require.Equal(t, x.Kind, string(y.Kind))
			near(x.From, y.From, "excursion from")
			near(x.To, y.To, "excursion to")
			maybe(x.WorstFrom, y.WorstFrom, "worst from")
			maybe(x.WorstTo, y.WorstTo, "worst to")
			require.InDelta(t, x.Minutes, y.Minutes, 1e-7)
			require.InDelta(t, x.Extreme, y.ExtremeCelsius, 0)
		}
	}
}

// The keys people script against.
func TestMktKeys(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	log := "sensor,at,celsius\nT1,2025-10-15T00:00:00Z,7\nT1,2025-10-15T00:10:00Z,9\nT1,2025-10-15T02:00:00+0100,5.5\n"
	result, _ := mkt(t, log, calc.MktOptions{Zone: zone})
	got, err := json.Marshal(result.Document)
	require.NoError(t, err)
	require.JSONEq(t, `{"sensors":[{"sensor":"T1","readings":3,"from":"2025-10-15T02:00:00+02:00","to":"2025-10-15T03:00:00+02:00",
		"coverage":0.16666666666666666,"min_celsius":5.5,"max_celsius":9,"mean_celsius":8,"mkt_celsius":`+after(t, string(got), `"mkt_celsius":`)+`,
		"worst_24h":null,"gaps":[{"from":"2025-10-15T02:10:00+02:00","to":"2025-10-15T03:00:00+02:00"}],
		"excursions":[{"kind":"warm","from":"2025-10-15T02:05:00+02:00","to":"2025-10-15T02:10:00+02:00","worst_from":"2025-10-15T02:00:00+02:00",
		"worst_to":"2025-10-15T03:00:00+02:00","minutes":5,"extreme_celsius":9}]}],
		"rows":{"read":3,"stored":3,"duplicate":0,"conflicting":0,"missing":0,"refused":0},"refused":[]}`, string(got))
	require.Zero(t, result.Exit)
}

// after answers the number behind a key, which another test checks.
func after(t *testing.T, text, key string) string {
	t.Helper()
	_, rest, ok := strings.Cut(text, key)
	require.True(t, ok)
	return rest[:strings.IndexAny(rest, ",}")]
}

// Test vector of a general HVAC library (R): equal weights, one minute apart.
func TestMktEqualWeight(t *testing.T) {
	log := "sensor,at,celsius\n"
	for i, c := range []string{"19.8", "20.2", "20.6", "21", "21.3", "21.5"} {
		log += fmt.Sprintf("T1,2025-10-15T00:0%d:00Z,%s\n", i, c)
	}
	result, doc := mkt(t, log, calc.MktOptions{EqualWeight: true})
	require.InDelta(t, 20.752780, *doc.Sensors[0].MKTCelsius, 5e-7)
	require.Nil(t, doc.Sensors[0].Worst24h)
	require.Contains(t, result.Text, "every reading counted alike")
}

// However the rows of several sensors are shuffled, each sensor's figures are the same.
func TestMktOrderOfRows(t *testing.T) {
	var rows []string
	start := time.Date(2025, 10, 15, 0, 0, 0, 0, time.UTC)
	rnd := rand.New(rand.NewPCG(3, 4))
	for _, s := range []string{"T1", "T2", "T3"} {
		for i := range 700 {
			rows = append(rows, fmt.Sprintf("%s,%s,%.2f", s, start.Add(time.Duration(i)*7*time.Minute).Format(time.RFC3339), 3+6*rnd.Float64()))
		}
	}
	log := func() string { return "sensor,at,celsius\n" + strings.Join(rows, "\n") + "\n" }
	_, want := mkt(t, log(), calc.MktOptions{})
	require.Equal(t, int64(2100), want.Rows.Stored)
	of := map[string]calc.SensorTemperatures{}
	for _, s := range want.Sensors {
		of[s.Sensor] = s
	}
	for range 5 {
		rnd.Shuffle(len(rows), func(i, j int) { rows[i], rows[j] = rows[j], rows[i] })
		_, got := mkt(t, log(), calc.MktOptions{})
		require.Equal(t, want.Rows, got.Rows)
		first, _, _ := strings.Cut(rows[0], ",")
		require.Equal(t, first, got.Sensors[0].Sensor, "in order of first appearance")
		for _, s := range got.Sensors {
			require.Equal(t, of[s.Sensor], s)
		}
	}
}

// A fault this finds: a repeat or a conflict counted twice, or taken into the means.
func TestMktRepeatsAndConflicts(t *testing.T) {
	_, doc := mkt(t, "sensor,at,celsius\nT1,2025-10-15T00:00:00Z,5\nT1,2025-10-15T00:00:00Z,5.000\nT1,2025-10-15T00:10:00Z,6\n"+
		"T1,2025-10-15T00:10:00Z,7\nT1,2025-10-15T00:10:00Z,6\nT1,2025-10-15T00:20:00Z,5\n", calc.MktOptions{})
	require.Equal(t, templog.Rows{Read: 6, Stored: 2, Duplicate: 2, Conflicting: 2}, doc.Rows)
	require.InDelta(t, 5, *doc.Sensors[0].MKTCelsius, 0, "neighbours of what is set aside are bridged")
	require.InDelta(t, 1, *doc.Sensors[0].Coverage, 0)

	_, doc = mkt(t, "sensor,at,celsius\nT1,2025-10-15T00:10:00Z,6\nT1,2025-10-15T00:10:00Z,7\n", calc.MktOptions{})
	require.Equal(t, "T1", doc.Sensors[0].Sensor)
	require.Zero(t, doc.Sensors[0].Readings)
	require.Nil(t, doc.Sensors[0].From)
}

func TestMktRefusesWhatIsNoLog(t *testing.T) {
	_, err := calc.Mkt(strings.NewReader("sensor;at;celsius\n"), calc.MktOptions{MaxGap: calc.DefaultMaxGap})
	var wrong *templog.DocumentError
	require.ErrorAs(t, err, &wrong)
	_, err = calc.Mkt(strings.NewReader("sensor,at,celsius\n"), calc.MktOptions{})
	require.ErrorIs(t, err, calc.ErrMaxGap)
	broken := errors.New("the disk is gone")
	log := "sensor,at,celsius\nT1,2025-10-15T00:00:00Z,5\n"
	_, err = calc.Mkt(iotest.TimeoutReader(iotest.OneByteReader(strings.NewReader(log))), calc.MktOptions{MaxGap: calc.DefaultMaxGap})
	require.ErrorIs(t, err, iotest.ErrTimeout)
	_, err = calc.Mkt(iotest.ErrReader(broken), calc.MktOptions{MaxGap: calc.DefaultMaxGap})
	require.ErrorIs(t, err, broken)
}

func TestMktText(t *testing.T) {
	result, _ := mkt(t, "sensor,at,celsius\nT1,2025-10-15T00:00:00Z,7\nT1,2025-10-15T00:10:00Z,9\nT1,2025-10-15T01:00:00Z,5.5\nT1,2025-10-15T01:10:00Z,-1\n"+
		"T2,2025-10-15T00:00:00Z,5\nT2,2025-10-15T00:10:00Z,850\n", calc.MktOptions{})
	require.Equal(t, `T1
  Readings  4, Wed 15 Oct 2025 00:00 UTC to Wed 15 Oct 2025 01:10 UTC, 28.6 % of it covered
  Range     -1 to 9 °C
  Mean      5.125 °C, mean kinetic temperature 5.704 °C
  WARM      Wed 15 Oct 2025 00:05 UTC to Wed 15 Oct 2025 00:10 UTC, 5.0 minutes, up to 9 °C
  COLD      Wed 15 Oct 2025 01:05 UTC to Wed 15 Oct 2025 01:10 UTC, 4.6 minutes, down to -1 °C
  FREEZE    Wed 15 Oct 2025 01:08 UTC to Wed 15 Oct 2025 01:10 UTC, 1.5 minutes, down to -1 °C
  NO DATA   Wed 15 Oct 2025 00:10 UTC to Wed 15 Oct 2025 01:00 UTC

T2
  Readings  1, Wed 15 Oct 2025 00:00 UTC to Wed 15 Oct 2025 00:00 UTC
  Range     5 to 5 °C
  Mean      none: no two readings are within 30 minutes of each other

Values   6 read: 5 stored, 0 duplicate, 0 conflicting, 0 missing, 1 refused
REFUSED  line 7: `+line7(t, result.Text)+`

Mean kinetic temperature is a storage statistic: it excuses no excursion, sees no freezing, and releases no prepared vial.
`+calc.Caution+"\n", result.Text)
	require.Contains(t, line7(t, result.Text), "850")
}

// line7 is the reason, which is the log reader's to word.
func line7(t *testing.T, text string) string {
	t.Helper()
	_, rest, ok := strings.Cut(text, "line 7: ")
	require.True(t, ok)
	why, _, _ := strings.Cut(rest, "\n")
	return why
}

func BenchmarkMktMillion(b *testing.B) {
	var log bytes.Buffer
	log.WriteString("sensor,at,celsius\n")
	at, rnd, c := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC), rand.New(rand.NewPCG(1, 2)), 5.0
	for range 1_000_000 {
		at = at.Add(time.Minute)
		c += (rnd.Float64()-0.5)*0.4 - (c-5)*0.02
		fmt.Fprintf(&log, "T1,%s,%.2f\n", at.Format(time.RFC3339), c)
	}
	b.SetBytes(int64(log.Len()))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := calc.Mkt(bytes.NewReader(log.Bytes()), calc.MktOptions{MaxGap: calc.DefaultMaxGap}); err != nil {
			b.Fatal(err)
		}
	}
}
