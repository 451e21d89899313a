package metrics_test

import (
	"bytes"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/metrics"
	"vialward/tracker"
	"vialward/tracker/templog"
)

var at = time.Date(2025, 11, 12, 12, 5, 0, 0, time.UTC)

func snapshot() tracker.Snapshot {
	return tracker.Snapshot{
		At: at, Sites: []string{"A", "B"},
		Vials: []tracker.VialCount{{Site: "A", Unit: "R1", Product: "PANT", State: "available", N: 12}, {Site: "A", Product: `we"ird\`, State: "given", N: 3}},
		BUDs:  []tracker.BUDCount{{Site: "A", Unit: "R1", Next: at.Add(time.Hour), Past: 2}, {Site: "A", Unit: "R2"}},
		Sensors: []tracker.SensorCount{{Site: "A", Sensor: "T1", Unit: "R1", LastAt: at.Add(-5 * time.Minute), LastMilliC: -1800, Coverage: 0.97, ClockSuspect: true, Stuck: true, CalibrationDue: time.Unix(1700001000, 0), Opens: time.Unix(1700000000, 0), OpensBy: time.Unix(1700000600, 0)},
			{Site: "A", Sensor: "T2", Unit: "R2", NeverHeard: true}},
		Open: []tracker.OpenCount{{Site: "A", Unit: "R1", Sensor: "T1", Kind: "freeze", N: 1}, {Site: "A", Unit: "R1", Sensor: "T1", Kind: "warm"}},
		Mail: []tracker.MailCount{
			{Site: "A", State: "waiting", N: 2, OldestUnsent: at.Add(-40 * time.Minute)}, {Site: "A", State: "accepted", N: 9, LastAccepted: at.Add(-time.Hour)},
		},
		Values:   []tracker.ValueCount{{Site: "A", Rows: templog.Rows{Read: 10, Stored: 7, Duplicate: 1, Conflicting: 1, Refused: 1}}},
		Sweeps:   []tracker.SweepCount{{Site: "A", Made: 5, Confirmed: 4, Missed: 1, LastMade: at}},
		SignIns:  tracker.SignInCount{Right: 3, NotLookedAt: 70},
		Verified: []tracker.VerifiedCount{{Site: "A", At: at, Seconds: 2.5, Events: 6741, Faults: 1}},
	}
}

// scrape is what a scraper gets, twenty seconds after the snapshot.
func scrape(t *testing.T, p *metrics.Page) string {
	t.Helper()
	w := httptest.NewRecorder()
	p.Handler(func() time.Time { return at.Add(20 * time.Second) }).ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	require.Equal(t, 200, w.Code)
	return w.Body.String()
}

// Every number is there under its name, with its unit, and what has none yet stands at 0: an alarm on a series that is
// not there never rings.
func TestPage(t *testing.T) {
	t.Parallel()
	p := &metrics.Page{}
	require.NoError(t, p.Update(snapshot(), at))
	page := scrape(t, p)
	for _, line := range []string{
		`vialward_vials{product="PANT",site="A",state="available",unit="R1"} 12`,
		`vialward_vials{product="we\"ird\\",site="A",state="given",unit=""} 3`,
		`vialward_past_beyond_use_vials{site="A",unit="R1"} 2`,
		`vialward_past_beyond_use_vials{site="A",unit="R2"} 0`,
		fmt.Sprintf(`vialward_next_beyond_use_timestamp_seconds{site="A",unit="R1"} %.8ge+09`, float64(at.Add(time.Hour).Unix())/1e9),
		`vialward_sensor_temperature_celsius{sensor="T1",site="A",unit="R1"} -1.8`,
		`vialward_sensor_last_reading_age_seconds{sensor="T1",site="A",unit="R1"} 300`,
		`vialward_sensor_coverage_ratio{sensor="T1",site="A",unit="R1"} 0.97`,
		`vialward_sensor_clock_suspect{sensor="T1",site="A",unit="R1"} 1`,
		`vialward_sensor_excursion_forecast_timestamp_seconds{bound="earliest",sensor="T1",site="A",unit="R1"} 1.7e+09`,
		`vialward_sensor_excursion_forecast_timestamp_seconds{bound="latest",sensor="T1",site="A",unit="R1"} 1.7000006e+09`,
		`vialward_sensor_calibration_due_timestamp_seconds{sensor="T1",site="A",unit="R1"} 1.700001e+09`,
		`vialward_sensor_stuck{sensor="T1",site="A",unit="R1"} 1`,
		`vialward_sensor_never_heard{sensor="T1",site="A",unit="R1"} 0`, `vialward_sensor_never_heard{sensor="T2",site="A",unit="R2"} 1`,
		`vialward_open_excursions{kind="freeze",sensor="T1",site="A",unit="R1"} 1`, `vialward_open_excursions{kind="warm",sensor="T1",site="A",unit="R1"} 0`,
		`vialward_mails{site="A",state="waiting"} 2`, `vialward_mails{site="B",state="failed"} 0`,
		`vialward_outbox_depth{site="A"} 2`, `vialward_outbox_oldest_unsent_seconds{site="A"} 2400`, `vialward_outbox_oldest_unsent_seconds{site="B"} 0`,
		`vialward_values_total{class="stored",site="A"} 7`, `vialward_values_total{class="refused",site="B"} 0`,
		`vialward_sweeps_total{outcome="missed",site="A"} 1`,
		`vialward_sign_in_tries_total{outcome="right"} 3`, `vialward_sign_in_tries_total{outcome="wrong"} 0`, `vialward_sign_in_tries_total{outcome="not_looked_at"} 70`,
		fmt.Sprintf(`vialward_record_verified_timestamp_seconds{site="A"} %.8ge+09`, float64(at.Unix())/1e9), `vialward_record_verified_timestamp_seconds{site="B"} 0`,
		`vialward_record_faults{site="A"} 1`, `vialward_record_faults{site="B"} 0`, `vialward_record_verified_events{site="A"} 6741`,
		`vialward_record_verification_seconds{site="A"} 2.5`,
		`vialward_database_up 1`, `vialward_snapshot_age_seconds 20.000`,
	} {
		require.Contains(t, page, line+"\n")
	}
	require.NotContains(t, page, `temperature_celsius{sensor="T2"`, "a sensor never heard has no temperature")
	require.NotContains(t, page, `next_beyond_use_timestamp_seconds{site="A",unit="R2"}`, "nothing there ends next")
}

// The page is clean by the rules of those who read it.
func TestPromtoolIsContent(t *testing.T) {
	t.Parallel()
	p := &metrics.Page{}
	require.NoError(t, p.Update(snapshot(), at))
	c := exec.CommandContext(t.Context(), "promtool", "check", "metrics")
	c.Stdin = strings.NewReader(scrape(t, p))
	var out bytes.Buffer
	c.Stdout, c.Stderr = &out, &out
	require.NoError(t, c.Run(), "promtool (package prometheus) says: %s", out.String())
	require.Empty(t, out.String())
}

// A database that is away leaves the last numbers standing, with their age and the failure beside them.
func TestDatabaseAway(t *testing.T) {
	t.Parallel()
	p := &metrics.Page{}
	require.Contains(t, scrape(t, p), "vialward_database_up 0\n", "before the first snapshot")
	require.NoError(t, p.Update(snapshot(), at))
	p.Fail()
	p.Fail()
	page := scrape(t, p)
	require.Contains(t, page, "vialward_vials{")
	require.Contains(t, page, "vialward_database_up 0\n")
	require.Contains(t, page, "vialward_snapshot_failures_total 2\n")
	require.NoError(t, p.Update(snapshot(), at))
	require.Contains(t, scrape(t, p), "vialward_database_up 1\n")
}

// Series are bounded by what the site's file lists: a label whose values people or files make up would grow for ever.
func TestSeriesAreBounded(t *testing.T) {
	t.Parallel()
	s := tracker.Snapshot{At: at, Sites: []string{"A"}}
	const units, products, states, sensors = 6, 8, 8, 7
	for u := range units {
		for p := range products {
			for st := range states {
				s.Vials = append(s.Vials, tracker.VialCount{Site: "A", Unit: fmt.Sprint("R", u), Product: fmt.Sprint("P", p), State: fmt.Sprint("s", st), N: 1})
			}
		}
		s.BUDs = append(s.BUDs, tracker.BUDCount{Site: "A", Unit: fmt.Sprint("R", u), Next: at})
	}
	for n := range sensors {
		s.Sensors = append(s.Sensors, tracker.SensorCount{Site: "A", Sensor: fmt.Sprint("T", n)})
		for _, k := range []string{"warm", "cold", "freeze", "no_data"} {
			s.Open = append(s.Open, tracker.OpenCount{Site: "A", Unit: "R1", Sensor: fmt.Sprint("T", n), Kind: k})
		}
	}
	p := &metrics.Page{}
	require.NoError(t, p.Update(s, at))
	series := 0
	for line := range strings.Lines(scrape(t, p)) {
		if !strings.HasPrefix(line, "#") {
			series++
		}
	}
	require.LessOrEqual(t, series, metrics.MostSeries(1, units, products, sensors))
}

func BenchmarkUpdate(b *testing.B) {
	p := &metrics.Page{}
	s := snapshot()
	b.ReportAllocs()
	for b.Loop() {
		if err := p.Update(s, at); err != nil {
			b.Fatal(err)
		}
	}
}
