package tracker

import (
	"context"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// StuckSince is since when a sensor has shown one value and no other, where that is long enough to be worth a look; zero
// where it is not. It changes no judgement: what was measured was measured, and a probe in liquid may well hold a value.
// People compare it with the unit's own display.
func (n SensorNow) StuckSince(s stock.Sensor) time.Time {
	if !n.Steady.Stuck(s.StuckAfter, s.Interval) {
		return time.Time{}
	}
	return time.UnixMicro(n.Steady.SinceMicros).UTC()
}

// steadyAgain finds how long the newest value has stood from what is stored: late data, or an intake withdrawn, may have
// come between. It looks back twice the time that is worth a look; a value that stood longer keeps its beginning.
func (j *judgement) steadyAgain(ctx context.Context, before thermal.Steady) error {
	j.now.Steady = thermal.Steady{}
	if j.now.LastAt.IsZero() {
		return nil
	}
	series, _, err := j.tx.Readings(ctx, j.sensor.Code, j.now.LastAt.Add(-2*max(j.sensor.StuckAfter, time.Hour)), j.now.LastAt.Add(time.Microsecond))
	if err != nil || len(series) == 0 {
		return err
	}
	s := thermal.Steady{}.On(series)
	if s.Readings == len(series) && before.MilliC == s.MilliC && before.Readings > s.Readings {
		s = before
	}
	j.now.Steady = s
	return nil
}
