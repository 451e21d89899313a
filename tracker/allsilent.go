package tracker

import (
	"context"
	"fmt"
	"slices"
	"time"

	"vialward/alerts"
	"vialward/tracker/stock"
	"vialward/tracker/thermal"
	"vialward/tracker/walltime"
)

// allQuiet: at least two sensors that have been heard are in use and none delivered in its time; those never heard have
// an alarm of their own. It is asked with half the grace, so the one mail is sent instead of the first sensor's own.
func allQuiet(set *stock.Site, heard map[string]SensorNow, now time.Time) bool {
	back, silent := roll(set, heard, now)
	return len(back) == 0 && len(silent) > 1
}

// roll calls the sensors in use that have ever been heard: who delivers, and who has not in its time.
func roll(set *stock.Site, heard map[string]SensorNow, now time.Time) (back, silent []stock.Sensor) {
	for _, s := range set.Sensors {
		a, ok := s.At(now)
		if !ok || heard[s.Code].LastAt.IsZero() {
			continue
		}
		last := laterOf(heard[s.Code].LastReceipt, a.From)
		if thermal.Silent(last.UnixMicro(), s.DeliversEvery, grace(s)/2, now.UnixMicro()) {
			silent = append(silent, s)
		} else {
			back = append(back, s)
		}
	}
	return back, silent
}

// siteQuiet says whether every sensor of the site is silent.
func siteQuiet(ctx context.Context, v View, now time.Time) (bool, error) {
	heard, err := sensorsByCode(ctx, v)
	return err == nil && allQuiet(v.Site(), heard, now), err
}

// tellAllSilent says it at once and again at the site's rhythm, in one thread that ends when all are back.
func (t *Tracker) tellAllSilent(ctx context.Context, site string, now time.Time) error {
	return t.Store.In(ctx, site, func(tx Tx) error {
		all, err := tx.SensorsNow(ctx)
		if err != nil {
			return err
		}
		facts := alerts.Silence{Site: t.mailSite(tx.Site(), now)}
		for _, n := range all {
			if n.LastAt.After(facts.Since) {
				facts.Since = n.LastAt
			}
		}
		slot := facts.Since.Format(time.RFC3339)
		if m := tx.Site().RemindMinutes; m > 0 { // said again at the site's rhythm, in place of a reminder a unit
			if n := int(now.Sub(facts.Since)/time.Minute) / m; n > 0 {
				slot = fmt.Sprintf("%s+%d", slot, n)
			}
		}
		first, err := tx.Once(ctx, "all silent", slot, now)
		if err != nil || !first {
			return err
		}
		if err := tx.Order(ctx); err != nil {
			return err
		}
		told, err := tx.SiteSilence(ctx)
		if err != nil {
			return err
		}
		opens := told.Since.IsZero()
		if opens {
			told.Since = facts.Since
		}
		told.Back = time.Time{} // who had come back is silent again
		if err := tx.SaveSiteSilence(ctx, told); err != nil {
			return err
		}
		if facts.Units, facts.OnHold, err = t.silentUnits(ctx, tx, all, now); err != nil {
			return err
		}
		return t.post(ctx, tx, facts, alerts.AllSilent, occasion{
			about: "site", slot: slot, thread: alerts.Silence{Since: told.Since}.Thread(), first: opens,
		})
	})
}

// backAgain ends a silence of all loggers that people were told of: one mail in its thread, when all are back or the first
// has been for a while. It stands for the mail of each unit's recovery; who is not back then is a case like any other.
func (t *Tracker) backAgain(ctx context.Context, site string, now time.Time) error {
	return t.Store.In(ctx, site, func(tx Tx) error {
		if err := tx.Order(ctx); err != nil {
			return err
		}
		told, err := tx.SiteSilence(ctx)
		if err != nil || told.Since.IsZero() {
			return err
		}
		heard, err := sensorsByCode(ctx, tx)
		if err != nil {
			return err
		}
		back, silent := roll(tx.Site(), heard, now)
		if len(back) == 0 {
			return nil // silent again, or none is in use any more
		}
		if told.Back.IsZero() {
			told.Back = now
		}
		if !alerts.TellBack(len(silent), told.Back, now) {
			return tx.SaveSiteSilence(ctx, told)
		}
		cases, err := tx.Cases(ctx, CaseQuery{Together: true})
		if err != nil {
			return err
		}
		facts, err := t.backFacts(ctx, tx, heard, cases, now)
		if err != nil {
			return err
		}
		facts.Since, facts.From, facts.Heard, facts.Silent = told.Since, told.Back, len(back), len(silent)
		for _, c := range cases {
			c.Together = false
			c.Told = c.State == "open"
			if m := tx.Site().RemindMinutes; m > 0 && c.Told {
				c.NextReminder = now.Add(time.Duration(m) * time.Minute)
			}
			if err := tx.SaveCase(ctx, &c); err != nil {
				return err
			}
		}
		if err := tx.SaveSiteSilence(ctx, SiteSilence{}); err != nil {
			return err
		}
		return t.post(ctx, tx, facts, alerts.AllBack, occasion{about: "site", slot: told.Since.Format(time.RFC3339), thread: facts.Thread()})
	})
}

// backFacts gathers what each unit with a sensor is like after it, and what the cases of the silence still hold.
func (t *Tracker) backFacts(ctx context.Context, v View, heard map[string]SensorNow, cases []Case, now time.Time) (alerts.Back, error) {
	f := alerts.Back{Site: t.mailSite(v.Site(), now)}
	held := map[string]bool{}
	open, err := v.Cases(ctx, CaseQuery{OpenOnly: true})
	if err != nil {
		return f, err
	}
	_, silent := roll(v.Site(), heard, now)
	for _, r := range v.Site().Rooms {
		for _, u := range r.Units {
			x := alerts.BackUnit{Unit: u.Code, Room: roomWords(r)}
			watched := false
			for _, s := range v.Site().Sensors {
				n := heard[s.Code]
				if a, ok := s.At(now); !ok || a.Unit != u.Code || n.LastAt.IsZero() {
					continue
				}
				watched = true
				if x.Last == nil || n.LastAt.After(x.Last.At) {
					x.Last = &alerts.Temperature{MilliC: Corrected(s, n.LastAt, n.LastMilliC), At: n.LastAt}
				}
				if slices.ContainsFunc(silent, func(o stock.Sensor) bool { return o.Code == s.Code }) {
					x.Silent = append(x.Silent, s.Code)
				}
			}
			for _, c := range cases {
				if c.Unit != u.Code {
					continue
				}
				vials, err := onHold(ctx, v, c.No)
				if err != nil {
					return f, err
				}
				x.Case, x.OnHold = c.No, len(vials)
				for _, y := range vials {
					held[y.Code] = true
				}
			}
			for _, c := range open {
				if c.Unit == u.Code && c.Kind != string(thermal.NoData) {
					x.Out = fmt.Sprintf("case %d, %s since %s", c.No, stock.ExcursionWord(c.Kind), walltime.Say(c.From, v.Site().Location()))
				}
			}
			if watched {
				f.Units = append(f.Units, x)
			}
		}
	}
	f.OnHold = len(held)
	return f, nil
}

func (t *Tracker) silentUnits(ctx context.Context, v View, all []SensorNow, now time.Time) (units []alerts.SilentUnit, held int, err error) {
	for _, r := range v.Site().Rooms {
		for _, u := range r.Units {
			vials, err := v.Find(ctx, VialQuery{Unit: u.Code})
			if err != nil {
				return nil, 0, err
			}
			su := alerts.SilentUnit{Unit: u.Code, Room: roomWords(r), Vials: len(vials)}
			for _, x := range vials {
				if len(x.Touches) > 0 {
					held++
				}
			}
			for _, n := range all {
				s, _ := v.Site().Sensor(n.Sensor)
				if a, ok := s.At(now); ok && a.Unit == u.Code && !n.LastAt.IsZero() && (su.Last == nil || n.LastAt.After(su.Last.At)) {
					su.Last = &alerts.Temperature{MilliC: Corrected(s, n.LastAt, n.LastMilliC), At: n.LastAt}
				}
			}
			units = append(units, su)
		}
	}
	return units, held, nil
}
