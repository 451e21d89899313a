package tracker

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"vialward/alerts"
	"vialward/tracker/stock"
	"vialward/tracker/thermal"
)

// onHold lists the vials a case holds now: touched, not closed, not released; each once.
func onHold(ctx context.Context, v View, caseNo int64) ([]stock.Vial, error) {
	holds, err := v.Holds(ctx, caseNo)
	if err != nil {
		return nil, err
	}
	var out []stock.Vial
	seen := map[string]bool{}
	for _, h := range holds {
		touched, err := v.Touched(ctx, h.ID)
		if err != nil {
			return nil, err
		}
		for _, x := range touched {
			if !x.Released && !x.Vial.State.Closed() && !seen[x.Vial.Code] {
				seen[x.Vial.Code] = true
				out = append(out, x.Vial)
			}
		}
	}
	return out, nil
}

func countOnHold(ctx context.Context, v View, caseNo int64) (int, error) {
	vials, err := onHold(ctx, v, caseNo)
	return len(vials), err
}

// incident gathers what a mail or a page says of a case as of now.
func (t *Tracker) incident(ctx context.Context, v View, c Case, now time.Time) (alerts.Incident, error) {
	s := v.Site()
	unit, room, _ := s.UnitAt(c.Unit)
	f := alerts.Incident{
		Site: t.mailSite(s, now), Case: c.No, Wrong: mailKind(c.Kind), Unit: c.Unit, Room: roomWords(room), Hazardous: unit.HazardousOnly,
		Raised: c.RaisedAt, Since: since(c), Cleared: c.To,
	}
	worst, ok := worstOf(c)
	if ok {
		sensor, _ := s.Sensor(worst.Sensor)
		f.Sensor, f.InLiquid, f.Never = worst.Sensor, sensor.InLiquid, worst.Found.Unheard
		if len(worst.Shelves) > 0 || shelvesOf(sensor, now) != "" {
			f.Where = shelvesOf(sensor, now)
		}
		if worst.Found.Unheard {
			f.Where = shelfWords(worst.Shelves)
		}
		if worst.Found.Kind != thermal.NoData {
			extreme := worst.Found.ExtremeMilliC
			f.Extreme = &extreme
		}
		for _, r := range s.RulesOf(unit) {
			if r.Kind == string(worst.Found.Kind) {
				f.Limit = thermal.MilliC(r.LimitMilliC)
			}
		}
		if worst.Found.Kind == thermal.Freeze {
			day := utcDay(worst.Found.FromMicros) // as the reading was judged
			f.Unsure = uncertainty(sensor, day*dayMicros, (day+1)*dayMicros)
		}
		if err := lastReadings(ctx, v, sensor, now, &f); err != nil {
			return f, err
		}
	}
	vials, err := onHold(ctx, v, c.No)
	if err != nil {
		return f, err
	}
	f.OnHold = len(vials)
	if f.Stock, err = stockLines(ctx, v, vials, c.Unit, c.From); err != nil {
		return f, err
	}
	if c.Kind == "warm" || c.Kind == "no_data" {
		f.ActBy = firstDeadline(ctx, v, vials, c.From)
	}
	if f.MoveTo, err = t.placesToGo(ctx, v, unit, now); err != nil {
		return f, err
	}
	f.History, err = history(ctx, v, c)
	return f, err
}

// roomWords name a room so that somebody who does not work there finds it.
func roomWords(r stock.RoomPlace) string {
	if r.Code == "" {
		return ""
	}
	return "R" + strings.TrimPrefix(r.Words(), "r")
}

// since is when a case began. Of a freeze that goes on it is when the freezing did: that the unit was cold before is no
// part of "at or below the freeze limit since".
func since(c Case) time.Time {
	if c.Kind != "freeze" || !c.To.IsZero() {
		return c.From
	}
	var first time.Time
	for _, x := range c.Excursions {
		if from := time.UnixMicro(x.Found.FromMicros).UTC(); x.Found.Kind == thermal.Freeze && x.MergedInto == 0 && !x.NotBorneOut && (first.IsZero() || from.Before(first)) {
			first = from
		}
	}
	if first.IsZero() {
		return c.From
	}
	return first
}

// worstOf picks the excursion that speaks for the case: a unit is as bad as its worst sensor.
func worstOf(c Case) (ExcursionRow, bool) {
	var worst ExcursionRow
	found := false
	for _, x := range c.Excursions {
		if x.MergedInto > 0 {
			continue
		}
		worse := x.Found.ExtremeMilliC > worst.Found.ExtremeMilliC || worst.Found.Unheard && !x.Found.Unheard
		if family(string(x.Found.Kind)) == "cold" {
			worse = x.Found.ExtremeMilliC < worst.Found.ExtremeMilliC || x.Found.Kind == thermal.Freeze && worst.Found.Kind != thermal.Freeze
		}
		if !found || worse {
			worst, found = x, true
		}
	}
	return worst, found
}

func shelvesOf(s stock.Sensor, at time.Time) string {
	a, ok := s.At(at)
	if !ok {
		return ""
	}
	return shelfWords(a.Shelves)
}

// shelfWords names shelves: "shelf A", "shelves A, B and D"; "" for none, which is all of a unit.
func shelfWords(shelves []string) string {
	var named []string
	loose := ""
	for _, s := range shelves {
		if s == "" {
			loose = "what stands on no shelf"
		} else {
			named = append(named, s)
		}
	}
	var words string
	switch n := len(named); n {
	case 0:
		return loose
	case 1:
		words = "shelf " + named[0]
	default:
		words = "shelves " + strings.Join(named[:n-1], ", ") + " and " + named[n-1]
	}
	if loose != "" {
		words += " and " + loose
	}
	return words
}

// lastReadings fills in the newest reading, whether it rises or falls, and a short trace: the readings since half an
// hour before the case, thinned to a dozen, the last one among them.
func lastReadings(ctx context.Context, v View, sensor stock.Sensor, now time.Time, f *alerts.Incident) error {
	from := f.Since.Add(-30 * time.Minute)
	if now.Sub(from) > 48*time.Hour {
		from = now.Add(-48 * time.Hour)
	}
	series, _, err := v.Readings(ctx, sensor.Code, from, now.Add(time.Minute))
	if err != nil {
		return err
	}
	if len(series) == 0 {
		all, err := v.SensorsNow(ctx)
		i := slices.IndexFunc(all, func(n SensorNow) bool { return n.Sensor == sensor.Code && !n.LastAt.IsZero() })
		if err == nil && i >= 0 {
			f.Last = &alerts.Temperature{MilliC: Corrected(sensor, all[i].LastAt, all[i].LastMilliC), At: all[i].LastAt}
		}
		return err
	}
	series = thermal.Correct(series, Calibrations(sensor))
	last := series[len(series)-1]
	f.Last = &alerts.Temperature{MilliC: last.MilliC, At: time.UnixMicro(last.AtMicros).UTC()}
	f.Trend = trend(series)
	const shown = 12
	for i := range series {
		if len(series) <= shown || i == len(series)-1 || i*shown/len(series) != (i-1)*shown/len(series) || i == 0 {
			f.Trace = append(f.Trace, alerts.Temperature{MilliC: series[i].MilliC, At: time.UnixMicro(series[i].AtMicros).UTC()})
		}
	}
	return nil
}

// trend is said only where the last three readings agree.
func trend(series []thermal.Reading) alerts.Trend {
	n := len(series)
	if n < 3 {
		return ""
	}
	a, b, c := series[n-3].MilliC, series[n-2].MilliC, series[n-1].MilliC
	switch {
	case a < b && b < c:
		return alerts.Rising
	case a > b && b > c:
		return alerts.Falling
	case a == b && b == c:
		return alerts.Steady
	default:
		return ""
	}
}

// firstDeadline is the earliest end of an allowed time out among the vials, where a product names a source for one.
func firstDeadline(ctx context.Context, v View, vials []stock.Vial, since time.Time) *alerts.Deadline {
	var first *alerts.Deadline
	for _, x := range vials {
		p, err := v.Product(ctx, x.Product, x.Version)
		if err != nil || p.AllowedOutMinutes == nil || p.AllowedOutSource == "" {
			continue
		}
		end := since.Add(time.Duration(*p.AllowedOutMinutes) * time.Minute)
		if first == nil || end.Before(first.At) {
			first = &alerts.Deadline{At: end, What: fmt.Sprintf("%s, %d minutes; source: %s", p.FullName(), *p.AllowedOutMinutes, p.AllowedOutSource)}
		}
	}
	return first
}

// placesToGo lists the units the site names for a failing one, with what is known of each; a unit that has an open case
// itself is no place to go.
func (t *Tracker) placesToGo(ctx context.Context, v View, unit stock.Unit, now time.Time) ([]alerts.Place, error) {
	var out []alerts.Place
	sensors, err := v.SensorsNow(ctx)
	if err != nil {
		return nil, err
	}
	for _, code := range unit.MoveTo {
		u, _, ok := v.Site().UnitAt(code)
		if !ok {
			continue
		}
		open, err := v.Cases(ctx, CaseQuery{Unit: code, OpenOnly: true})
		if err != nil {
			return nil, err
		}
		if len(open) > 0 {
			continue
		}
		there, err := v.Find(ctx, VialQuery{Unit: code})
		if err != nil {
			return nil, err
		}
		p := alerts.Place{Unit: code, HazardousOnly: u.HazardousOnly, Free: max(0, u.Capacity-len(there))}
		for _, n := range sensors {
			s, ok := v.Site().Sensor(n.Sensor)
			a, assigned := s.At(now)
			m := Corrected(s, n.LastAt, n.LastMilliC)
			if ok && assigned && a.Unit == code && now.Sub(n.LastAt) <= 2*s.DeliversEvery && (p.Now == nil || m > p.Now.MilliC) {
				p.Now = &alerts.Temperature{MilliC: m, At: n.LastAt}
			}
		}
		out = append(out, p)
	}
	return out, nil
}

// history is the unit's last few cases before this one.
func history(ctx context.Context, v View, c Case) ([]alerts.PastCase, error) {
	past, err := v.Cases(ctx, CaseQuery{Unit: c.Unit, To: c.From, Limit: 4})
	if err != nil {
		return nil, err
	}
	var out []alerts.PastCase
	for _, p := range past {
		if p.No == c.No || p.State == "merged" {
			continue
		}
		x := alerts.PastCase{Case: p.No, Wrong: mailKind(p.Kind), From: p.From, To: p.To}
		if w, ok := worstOf(p); ok && w.Found.Kind != thermal.NoData {
			extreme := w.Found.ExtremeMilliC
			x.Extreme = &extreme
		}
		out = append(out, x)
	}
	return out, nil
}

// Corrected is one reading by the sensor's certificate of that time.
func Corrected(s stock.Sensor, at time.Time, raw thermal.MilliC) thermal.MilliC {
	return thermal.Correct([]thermal.Reading{{AtMicros: at.UnixMicro(), MilliC: raw}}, Calibrations(s))[0].MilliC
}

// Calibrations of a sensor as the thermal rules take them.
func Calibrations(s stock.Sensor) []thermal.Calibration {
	out := make([]thermal.Calibration, 0, len(s.Calibrations))
	for _, c := range s.Calibrations {
		x := thermal.Calibration{FromMicros: c.From.UnixMicro(), OffsetMilliC: thermal.MilliC(c.OffsetMilliC)}
		if !c.To.IsZero() {
			x.ToMicros = c.To.UnixMicro()
		}
		out = append(out, x)
	}
	return out
}
