package web_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/templog"
)

// A logger that was never heard, with stock in its place: the pages and the API say so plainly, where people look.
func TestPagesSayThatALoggerWasNeverHeard(t *testing.T) {
	t.Parallel()
	n := newNight(t, func(s *stock.Site) { // what comes from T7 is of no sensor of the site
		i := slices.IndexFunc(s.Sensors, func(x stock.Sensor) bool { return x.Code == "T7" })
		s.Sensors[i].Code = "T9"
	})
	const plainly = "No temperature has ever been recorded for R2: nothing proves how its 8 vials were kept; the first stood there Tue 11 Nov 2025 10:30 EST"
	for path, wants := range map[string][]string{
		"/":         {"NEVER HEARD T9 in R2: not one reading is on record; in use there since Sun 1 Jun 2025 00:00 EDT", plainly},
		"/units/R2": {"T9 NO DATA: never heard, in use here since Sun 1 Jun 2025 00:00 EDT " + plainly + "."},
	} {
		status, body := n.page(t, path)
		require.Equal(t, 200, status)
		said := text(body)
		for _, want := range wants {
			require.Contains(t, said, want, path)
		}
	}
	require.NoError(t, n.Store.Read(t.Context(), quillmere, func(v tracker.View) error {
		units, err := present.UnitsOf(t.Context(), v, n.now)
		i := slices.IndexFunc(units, func(u present.Unit) bool { return u.Code == "R2" })
		x := units[i].Sensors[0]
		require.Equal(t, []any{"T9", true, 8}, []any{x.Sensor, x.NeverHeard, x.UnprovenVials})
		require.Equal(t, present.Instant("2025-11-11T10:30:00-05:00"), *x.UnprovenSince)
		return err
	}))
}

// A logger that shows one value and no other is said where people look, with what to do; it is no alarm.
func TestPagesSayThatAValueMayBeStuck(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	from := n.now
	n.now = from.Add(25 * time.Hour)
	var b strings.Builder
	b.WriteString("sensor,at,celsius\n")
	for at := from; at.Before(n.now); at = at.Add(5 * time.Minute) {
		fmt.Fprintf(&b, "T7,%s,4.6\n", at.Format(time.RFC3339))
	}
	p, err := templog.NewParser(strings.NewReader(b.String()), nil, templog.Options{})
	require.NoError(t, err)
	_, err = n.TakeIn(t.Context(), quillmere, tracker.Rule, tracker.Delivery{Source: "folder", Name: "T7.csv", Values: p})
	require.NoError(t, err)
	for path, want := range map[string]string{
		"/":           "STUCK VALUE? T7 in R2 has shown one value and no other since Wed 12 Nov 2025 07:05 EST",
		"/units/R2":   "STUCK? one value since Wed 12 Nov 2025 07:05 EST",
		"/sweeps/now": "STUCK? one value since Wed 07:05: the unit's own display says ______",
	} {
		status, body := n.page(t, path)
		require.Equal(t, 200, status)
		require.Contains(t, text(body), want, path)
	}
}

// A refrigerator that warms is said where people look, as an interval and never as a lone minute.
func TestPagesSayThatAUnitIsWarming(t *testing.T) {
	t.Parallel()
	n := newNight(t, nil)
	from := n.now
	var b strings.Builder
	b.WriteString("sensor,at,celsius\n")
	for i, c := range []string{"5.0", "4.9", "5.0", "4.9", "5.3", "5.7", "6.1", "6.5", "6.9", "7.3", "7.7"} {
		n.now = from.Add(time.Duration(i+1) * 5 * time.Minute)
		fmt.Fprintf(&b, "T7,%s,%s\n", n.now.Format(time.RFC3339), c)
	}
	p, err := templog.NewParser(strings.NewReader(b.String()), nil, templog.Options{})
	require.NoError(t, err)
	_, err = n.TakeIn(t.Context(), quillmere, tracker.Rule, tracker.Delivery{Source: "folder", Name: "T7.csv", Values: p})
	require.NoError(t, err)
	for path, want := range map[string]string{
		"/":         `WARMING R2, T7: if it goes on, an excursion opens between \d\d:\d\d \w+ and \d\d:\d\d \w+`,
		"/units/R2": `WARMING if it goes on, an excursion opens between \d\d:\d\d \w+ and \d\d:\d\d \w+`,
	} {
		status, body := n.page(t, path)
		require.Equal(t, 200, status)
		require.Regexp(t, want, text(body), path)
	}
	require.NoError(t, n.Store.Read(t.Context(), quillmere, func(v tracker.View) error {
		units, err := present.UnitsOf(t.Context(), v, n.now)
		i := slices.IndexFunc(units, func(u present.Unit) bool { return u.Code == "R2" })
		require.NotNil(t, units[i].Sensors[0].OpensFrom)
		require.Less(t, *units[i].Sensors[0].OpensFrom, *units[i].Sensors[0].OpensTo)
		return err
	}))
}

// A certificate that has ended, or soon will, is said on today's page and to programs.
func TestPagesSayThatACalibrationIsDue(t *testing.T) {
	t.Parallel()
	ends := func(sensor string, after time.Duration) func(*stock.Site) {
		return func(s *stock.Site) {
			for i := range s.Sensors {
				if s.Sensors[i].Code == sensor {
					s.Sensors[i].Calibrations = []stock.Calibration{{Certificate: "C-9", From: local(1, 7, 0), Due: local(12, 7, 0).Add(after)}}
				}
			}
		}
	}
	for say, after := range map[string]time.Duration{
		"CALIBRATION PAST DUE T7 in R2: certificate C-9 has been past due since": -24 * time.Hour,
		"CALIBRATION DUE T7 in R2: certificate C-9 is good until":                20 * 24 * time.Hour,
	} {
		n := newNight(t, ends("T7", after))
		_, body := n.page(t, "/")
		require.Contains(t, text(body), say)
		require.NoError(t, n.Store.Read(t.Context(), quillmere, func(v tracker.View) error {
			units, err := present.UnitsOf(t.Context(), v, n.now)
			i := slices.IndexFunc(units, func(u present.Unit) bool { return u.Code == "R2" })
			require.Equal(t, after < 0, units[i].Sensors[0].CalibrationPastDue)
			return err
		}))
	}
}
