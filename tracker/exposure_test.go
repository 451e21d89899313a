package tracker_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

func (s *setup) exposed(t *testing.T, code string, at time.Time) (x tracker.VialExposure) {
	t.Helper()
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) (err error) {
		x, err = tracker.ExposureOf(t.Context(), v, code, at, s.now)
		return err
	}))
	return x
}

func inLiquid(site *stock.Site) { site.Sensors[0].InLiquid = true }

// R2 has no sensor: it counts as 5 °C, as the site says.
func worstInR2(site *stock.Site) {
	five := int32(5000)
	site.Rooms[0].Units[1].WorstMilliC = &five
}

// A vial that is moved during an excursion has of it what it was there for; moved within the unit, all of it. 5 to 10 °C
// in five minutes crosses 8 °C after three.
func TestExposureOfAVialMovedMeanwhile(t *testing.T) {
	t.Parallel()
	s, ctx := newSiteLike(t, inLiquid, worstInR2), t.Context()
	codes := s.batch(t, 3, "R1/A")
	placed := s.now
	s.live(t, "5", "10", "10", "10")
	move := func(code, to string) {
		_, err := s.Place(ctx, "SMALL", technician, tracker.Place{Vials: []string{code}, To: to})
		require.NoError(t, err)
	}
	move(codes[1], "R2/A")
	move(codes[2], "R1/B")
	s.live(t, "10", "10")
	stayed, away, within := s.exposed(t, codes[0], s.now), s.exposed(t, codes[1], s.now), s.exposed(t, codes[2], s.now)
	require.Equal(t, 22*time.Minute, stayed.Thermal.Above8)
	require.Equal(t, 12*time.Minute, away.Thermal.Above8)
	require.Equal(t, 12*time.Minute, away.Thermal.Debited)
	require.Equal(t, 5*time.Minute, away.Thermal.Unknown, "before the first reading")
	require.Contains(t, away.Assumed, "R2/A has no sensor: it counts as 5 °C, its worst as the site has set it up")
	require.Equal(t, stayed.Thermal, within.Thermal, "a stay in two parts is the whole")
	require.Len(t, within.Parts, 2)
	require.Equal(t, []string{"60 minutes above 8 °C allowed in all: invented", "keeps 96 h up to 8 °C (refrigerator): invented"}, stayed.Basis)
	require.Equal(t, 2*time.Minute, s.exposed(t, codes[1], placed.Add(10*time.Minute)).Thermal.Above8, "as of an instant before")
	require.False(t, s.exposed(t, codes[0], placed).Known)

	// A certificate that says the sensor reads 2 °C too high: it was above 8 °C at no time, all along.
	require.NoError(t, s.reload(t, inLiquid, worstInR2, func(site *stock.Site) { site.Sensors[0].Calibrations[0].OffsetMilliC = -2000 }))
	require.Zero(t, s.exposed(t, codes[0], s.now).Thermal.Above8)
	require.InDelta(t, 8, s.exposed(t, codes[0], s.now).Thermal.MaxCelsius, 1e-9)

	err := s.store.Read(ctx, "SMALL", func(v tracker.View) error {
		_, err := tracker.ExposureOf(ctx, v, codes[0], s.now.Add(time.Minute), s.now)
		return err
	})
	refused(t, err, "time")
	require.ErrorIs(t, s.store.Read(ctx, "SMALL", func(v tracker.View) error {
		_, err := tracker.ExposureOf(ctx, v, "251231-9-01", s.now, s.now)
		return err
	}), tracker.ErrNotFound)
}

// What a sensor in air reads while a door is open is shown; it is debited once a warm case is open, from its start on.
func TestExposureBySensorInAir(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	codes := s.batch(t, 1, "R1/A")
	s.live(t, "5", "10", "5", "5")
	x := s.exposed(t, codes[0], s.now)
	require.Equal(t, 4*time.Minute, x.Thermal.Above8)
	require.Zero(t, x.Thermal.Debited)
	require.Empty(t, slices.DeleteFunc(x.Thermal.Proposals, func(p thermal.Proposal) bool { return p.Action == thermal.NoNumber }))
	s.live(t, "10", "10", "10", "10", "10")
	require.NotEmpty(t, s.cases(t))
	x = s.exposed(t, codes[0], s.now)
	require.Equal(t, 26*time.Minute, x.Thermal.Above8)
	require.Equal(t, 22*time.Minute, x.Thermal.Debited)
}

// Where nobody measures and no worst is set, time is unknown from the first minute, and no number is given.
func TestExposureWhereNothingIsMeasured(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	codes := s.batch(t, 1, "R2/A")
	s.now = s.now.Add(time.Hour)
	x := s.exposed(t, codes[0], s.now)
	require.True(t, x.Known)
	require.Equal(t, time.Hour, x.Thermal.Unknown)
	require.False(t, x.Thermal.Measured || x.Thermal.Limited)
	require.Contains(t, x.Assumed, "no sensor spoke for R2/A and no worst temperature is set for it: that time is unknown")
}
