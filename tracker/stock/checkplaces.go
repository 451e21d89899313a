package stock

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

func (c *checker) rooms() {
	units := 0
	for i, r := range c.site.Rooms {
		at := c.code("rooms", i, r.Code, "room")
		for k, u := range r.Units {
			c.unitAlone(c.code(at+".units", k, u.Code, "unit"), u)
			units++
		}
	}
	c.when(units == 0, "rooms", "the site has no storage unit; add at least one to a room")
}

func (c *checker) unitAlone(at string, u Unit) {
	c.when(!u.Class.Known(), at+".class", "%q is not a storage class; write refrigerator, freezer or room", u.Class)
	c.when(len(u.Shelves) == 0, at+".shelves", "%s has no shelf; name at least one, in walking order", u.Code)
	for k, s := range u.Shelves {
		key := nth(at+".shelves", k)
		c.when(!codeForm.MatchString(s.Code), key, "%q is not a shelf's code; use letters and digits, as A", s.Code)
		first := slices.IndexFunc(u.Shelves, func(o Shelf) bool { return o.Code == s.Code })
		c.when(first < k, key, "%s has two shelves %s; rename one", u.Code, s.Code)
	}
	for k, code := range u.MoveTo {
		key := nth(at+".move_to", k)
		to, ok := c.unit(key, code)
		switch {
		case !ok:
		case code == u.Code:
			c.wrong(key, "stock cannot move from %s to itself; name another unit", code)
		case to.Class != u.Class:
			c.wrong(key, "%s is a %s and %s a %s; stock of one class moves to the same class", code, to.Class, u.Code, u.Class)
		case to.HazardousOnly != u.HazardousOnly:
			c.wrong(key, "hazardous and other stock are kept apart: %s and %s are not for the same", u.Code, code)
		}
	}
	c.when(u.Capacity < 0, at+".capacity", "a capacity is a number of vials, or left out")
	c.rules(at+".rules", u.Rules, &u)
	c.covered(at, u)
}

// covered: whatever can happen to a unit must have a rule, or it happens unseen.
func (c *checker) covered(at string, u Unit) {
	if !u.Class.Known() {
		return
	}
	rules := c.site.RulesOf(u)
	limit := func(kind string) *AlarmRule {
		if i := slices.IndexFunc(rules, func(r AlarmRule) bool { return r.Kind == kind }); i >= 0 {
			return &rules[i]
		}
		return nil
	}
	need := []string{"warm", "no_data"}
	if u.Class == Refrigerator {
		need = []string{"warm", "cold", "freeze", "no_data"}
	}
	for _, kind := range need {
		c.when(limit(kind) == nil, at+".rules", "%s has no rule for %q, of its own or for every %s; without one nobody is told", u.Code, kind, u.Class)
	}
	warm, cold, freeze := limit("warm"), limit("cold"), limit("freeze")
	if warm != nil && cold != nil {
		c.when(cold.LimitMilliC >= warm.LimitMilliC, at+".rules", "of %s the cold limit %s °C is not below the warm limit %s °C; correct one of them", u.Code,
			SayMilli(int64(cold.LimitMilliC)), SayMilli(int64(warm.LimitMilliC)))
	}
	if freeze != nil && cold != nil {
		c.when(freeze.LimitMilliC > cold.LimitMilliC, at+".rules", "of %s the freeze limit %s °C is above the cold limit %s °C; correct one of them", u.Code,
			SayMilli(int64(freeze.LimitMilliC)), SayMilli(int64(cold.LimitMilliC)))
	}
	watched := false
	for _, s := range c.site.Sensors {
		if !slices.ContainsFunc(s.Assignments, func(a Assignment) bool { return a.Unit == u.Code && a.To.IsZero() }) {
			continue
		}
		watched = true
		for _, r := range rules {
			if r.Kind == "warm" || r.Kind == "cold" {
				c.warn(r.Delay < s.Interval, at+".rules", "the delay of %s's rule %q, %s, is shorter than the interval of %s, %s: it opens at the first reading beyond", u.Code, r.Kind, r.Delay, s.Code, s.Interval)
			}
			if r.Kind == "no_data" {
				silent := max(s.DeliversEvery, time.Duration(s.SilentAfterMins)*time.Minute)
				c.warn(r.Delay < silent, at+".rules", "%s's rule \"no_data\" has a delay of %s, but %s counts as silent only after %s: nobody is told before that", u.Code, r.Delay, s.Code, silent)
				c.when(r.Delay < s.Interval+s.DeliversEvery, at+".rules", "%s's rule \"no_data\" opens after %s, which every delivery of %s (each %s, readings each %s) reaches; make it longer", u.Code, r.Delay, s.Code, s.DeliversEvery, s.Interval)
			}
		}
	}
	c.warn(!watched, at, "no sensor is assigned to %s for now; nothing is known of its temperatures", u.Code)
}

// rules of one unit, or the general ones when u is nil.
func (c *checker) rules(list string, rules []AlarmRule, u *Unit) {
	for i, r := range rules {
		at := nth(list, i)
		c.oneOf(at+".kind", r.Kind, "warm", "cold", "freeze", "no_data")
		c.oneOf(at+".severity", r.Severity, "high", "medium", "low")
		c.figure(at, r.Source, r.Tag, r.ConfirmedBy)
		c.when(Unsure(r.Tag) && r.ConfirmedBy == "", at+".confirmed_by", "the figure is tagged %q: a pharmacist of this site has to confirm it before anything is judged by it; name them here", r.Tag)
		c.when(r.ForClass != "" && !r.ForClass.Known(), at+".class", "%q is not a storage class; write refrigerator, freezer or room", r.ForClass)
		c.when(r.ForClass != "" && u != nil, at+".class", "a unit's own rule has no class; take it out")
		c.when(r.ForClass == "" && u == nil, at+".class", "say for which class of unit this rule is: refrigerator, freezer or room")
		c.when(r.Window != 0 && r.Window < r.Delay, at+".within", "%s beyond the limit cannot add up within %s; make the window longer than the delay", r.Delay, r.Window)
		c.when(r.Kind == "freeze" && (r.Delay != 0 || r.Window != 0), at+".delay", "one reading at the freeze limit holds the unit; a freeze rule has no delay and no window")
		c.when(r.Kind == "freeze" && !r.Hold, at+".hold", "a freeze always holds the stock; write hold = true")
		c.when(r.Kind == "no_data" && r.Delay == 0, at+".delay", "say after how long without readings this rule opens")
		c.when(r.Kind == "no_data" && r.Window != 0, at+".within", "silence does not add up; take the window out")
		twice := slices.ContainsFunc(rules[:i], func(o AlarmRule) bool { return o.Kind == r.Kind && o.ForClass == r.ForClass })
		c.when(twice, at+".kind", "there is a rule %q here already; keep one of them", r.Kind)
	}
}

func (c *checker) areas() {
	for i, a := range c.site.Areas {
		at := c.code("areas", i, a.Code, "area")
		c.when(len(a.Statuses) == 0, at+".categories", "say from when on %s may work at which category", a.Code)
		for k, s := range a.Statuses {
			key := nth(at+".categories", k)
			c.when(!slices.Contains([]string{"", "1", "2", "3"}, s.Category), key+".category", "%q is not a category an area may work at; write 1, 2, 3 or none", s.Category)
			c.when(k > 0 && !a.Statuses[k-1].From.Before(s.From), key+".from", "the lines of %s are in order of time; this one is not after the one before", a.Code)
		}
	}
}

// leastStuck is how many readings of one value a site may call too many, at the least (common practice, no source).
const leastStuck = 12

func (c *checker) sensors() {
	for i, s := range c.site.Sensors {
		at := c.code("sensors", i, s.Code, "sensor")
		c.when(s.Interval <= 0, at+".interval", "say how long between two readings, as \"5 min\"")
		c.when(s.DeliversEvery < s.Interval, at+".delivers_every", "readings cannot arrive more often than they are made; make it at least the interval")
		c.when(s.MaxGap < s.Interval, at+".max_gap", "the longest wait that counts as covered is shorter than the interval: no minute would be")
		c.when(time.Duration(s.SilentAfterMins)*time.Minute < s.DeliversEvery, at+".silent_after", "%s is silent for longer than that between any two deliveries; make it longer", s.Code)
		c.when(s.StuckAfter != 0 && s.StuckAfter < leastStuck*s.Interval, at+".stuck_after", "%s may well show one value %d times in a row; make it longer", s.Code, leastStuck)
		var spans []span
		for k, a := range s.Assignments {
			key := nth(at+".assignments", k)
			if u, ok := c.unit(key+".unit", a.Unit); ok {
				for n, shelf := range a.Shelves {
					_, has := u.Shelf(shelf)
					c.when(!has, nth(key+".shelves", n), "%s has no shelf %q; it has %s", a.Unit, shelf, u.shelfCodes())
				}
			}
			spans = append(spans, span{key, a.From, a.To})
		}
		c.apart(spans, "%s cannot be in two places; end the assignment before this one with a \"to\"", s.Code)
		spans = nil
		for k, b := range s.Calibrations {
			key := nth(at+".calibrations", k)
			c.when(b.Certificate == "", key+".certificate", "name the certificate")
			c.when(!b.Due.After(b.From), key+".due", "the next calibration is due after this one begins to count")
			c.when(b.UncertaintyMilliC < 0, key+".uncertainty_celsius", "an uncertainty is 0 or more")
			spans = append(spans, span{key, b.From, b.To})
		}
		c.apart(spans, "two certificates of %s count at once; end the one before this with a \"to\"", s.Code)
		c.warn(len(s.Calibrations) == 0, at, "%s has no calibration certificate; its readings are taken as they are, and no release should rest on them", s.Code)
	}
}

func (u Unit) shelfCodes() string {
	var codes []string
	for _, s := range u.Shelves {
		codes = append(codes, s.Code)
	}
	return strings.Join(codes, ", ")
}

// span of time from an instant up to another one; a zero to is open.
type span struct {
	key      string
	from, to time.Time
}

// apart says where spans overlap or end before they begin.
func (c *checker) apart(spans []span, format, code string) {
	for _, s := range spans {
		c.when(!s.to.IsZero() && !s.to.After(s.from), s.key+".to", "%s is not after %s", s.to.Format(time.RFC3339), s.from.Format(time.RFC3339))
	}
	slices.SortStableFunc(spans, func(a, b span) int { return cmp.Compare(a.from.UnixMicro(), b.from.UnixMicro()) })
	for i := 1; i < len(spans); i++ {
		if before := spans[i-1]; before.to.IsZero() || before.to.After(spans[i].from) {
			c.wrong(spans[i].key+".from", "%s", fmt.Sprintf(format, code))
		}
	}
}
