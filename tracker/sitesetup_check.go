package tracker

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"vialward/alerts"
	"vialward/tracker/beyonduse"
	"vialward/tracker/stock"
)

// CheckSite lists everything in a site that does not fit together, mail included: a kind of mail that reaches nobody is
// an alarm that is silently dead.
func CheckSite(s *stock.Site) []stock.Mistake {
	found := s.Check()
	found = append(found, checkLimits(s, found)...)
	routes := len(found)
	for i, r := range s.Routes {
		for k, kind := range r.Kinds {
			if alerts.Kind(kind) != alerts.All && !slices.Contains(alerts.Kinds(), alerts.Kind(kind)) {
				found = append(found, stock.Mistake{
					Key: fmt.Sprintf("routes[%d].kinds[%d]", i+1, k+1),
					Say: fmt.Sprintf("%q is no kind of mail; write one of %v, or %q", kind, alerts.Kinds(), alerts.All),
				})
			}
		}
	}
	if len(found) > routes || slices.ContainsFunc(found, func(m stock.Mistake) bool { return !m.Warning }) {
		return found
	}
	// Every route can be read now, so what is left is mail without anybody to get it.
	_, wrong := alerts.NewPolicy(s, "")
	for _, err := range wrong {
		found = append(found, stock.Mistake{Key: "routes", Say: err.Error()})
	}
	return found
}

// checkLimits holds the site's cells against the chapter's table, and each product against the cells that then count: a
// product without a cell could never have a beyond-use date. What was found wrong about one already is not said again.
func checkLimits(s *stock.Site, said []stock.Mistake) []stock.Mistake {
	var found []stock.Mistake
	again := func(key string) bool {
		return slices.ContainsFunc(said, func(m stock.Mistake) bool { return !m.Warning && strings.HasPrefix(m.Key, key) })
	}
	table := beyonduse.Shipped()
	for i, l := range s.Limits {
		key := fmt.Sprintf("limits[%d]", i+1)
		if again(key) {
			continue
		}
		own, err := table.With([]stock.LimitCell{l})
		if err != nil {
			found = append(found, stock.Mistake{Key: key, Say: err.Error()})
			continue
		}
		table = own
	}
	for i, p := range s.Products {
		key := fmt.Sprintf("products[%d]", i+1)
		if _, err := chapterLimit(table, p); err != nil && !again(key) {
			found = append(found, stock.Mistake{Key: key + ".category", Say: err.Error()})
		}
	}
	return found
}

// chapterLimit is what the sterile chapter's table allows a product in an area that may do all it asks for.
func chapterLimit(table beyonduse.Table, p stock.Product) (stock.Candidate, error) {
	// Only the table is asked: a stability far beyond it stands in for the product's own, and any start will do.
	a, err := beyonduse.Compute(beyonduse.Input{
		Zone: time.UTC, StartedAt: time.Unix(0, 0), Storage: p.Storage, Table: table,
		Sterility: beyonduse.Sterility{Category: p.Category, Method: p.Method, Tested: p.Tested, Nonsterile: p.Nonsterile},
		Stability: []beyonduse.Stability{{Storage: p.Storage, For: 10 * 366 * 24 * time.Hour}},
	})
	if err != nil {
		return stock.Candidate{}, err
	}
	return a.Candidates[0], nil // the table's comes first
}

// draft says what of a product still keeps batches from being made, or "".
func draft(s *stock.Site, p stock.Product) (string, error) {
	missing := p.Unconfirmed()
	table, err := beyonduse.Shipped().With(s.Limits)
	if err != nil {
		return "", err
	}
	limit, err := chapterLimit(table, p)
	if err != nil {
		return "", err
	}
	if !limit.Confirmed {
		missing = append(missing, "a pharmacist's confirmation, among the site's limits, of the sterile chapter's one: "+limit.Source)
	}
	if len(missing) == 0 {
		return "", nil
	}
	return "it lacks " + strings.Join(missing, "; and "), nil
}

// mistakes leaves the warnings out.
func mistakes(all []stock.Mistake) []stock.Mistake {
	return slices.DeleteFunc(all, func(m stock.Mistake) bool { return m.Warning })
}

func isNotFound(err error) bool { return errors.Is(err, ErrNotFound) }

// inStock are the states in which a vial stands, or may come back to, in a storage unit.
var inStock = []stock.State{stock.InPreparation, stock.Available}

// inUse lists what the new document would take from under stock, open cases or recorded temperatures.
func inUse(ctx context.Context, tx Tx, old, next *stock.Site) ([]stock.Mistake, error) {
	var wrong []stock.Mistake
	say := func(key, format string, args ...any) {
		wrong = append(wrong, stock.Mistake{Key: key, Say: fmt.Sprintf(format, args...)})
	}
	vials, err := tx.Find(ctx, VialQuery{States: append(slices.Clone(inStock), stock.WithWard)})
	if err != nil {
		return nil, fmt.Errorf("find the stock of site %s: %w", old.Code, err)
	}
	count := func(f func(stock.Vial) bool) (n int) {
		for _, v := range vials {
			if f(v) {
				n++
			}
		}
		return n
	}
	for _, p := range old.Products {
		gone := !slices.ContainsFunc(next.Products, func(o stock.Product) bool { return o.Code == p.Code })
		if n := count(func(v stock.Vial) bool { return v.Product == p.Code }); gone && n > 0 {
			say("products", "%s is gone from the file, but %d of its vials are not closed; keep it until they are", p.Code, n)
		}
	}
	for _, a := range old.Areas {
		_, stays := next.Area(a.Code)
		if n := count(func(v stock.Vial) bool { return v.Area == a.Code }); !stays && n > 0 {
			say("areas", "%s is gone from the file, but %d vials stand in it; place them first", a.Code, n)
		}
	}
	for _, r := range old.Rooms {
		for _, u := range r.Units {
			unitInUse(u, next, vials, say)
		}
	}
	peopleStay(old, next, say)
	if err := casesOpen(ctx, tx, next, say); err != nil {
		return nil, err
	}
	return wrong, sensorsInUse(ctx, tx, old, next, say)
}

// unitInUse compares one unit with its new self: what is there must still have its shelf, at no other temperature.
func unitInUse(u stock.Unit, next *stock.Site, vials []stock.Vial, say func(key, format string, args ...any)) {
	now, _, stays := next.UnitAt(u.Code)
	on, hazardless := map[string]int{}, 0
	total := 0
	for _, v := range vials {
		if v.Unit != u.Code {
			continue
		}
		total++
		on[v.Shelf]++
		for _, p := range next.Products {
			if p.Code == v.Product && !p.Hazardous {
				hazardless++
			}
		}
	}
	switch {
	case total == 0:
	case !stays:
		say("rooms", "%s is gone from the file, but %d vials are in it; move them first", u.Code, total)
	case now.Class != u.Class:
		say("rooms", "%s was a %s and would be a %s, with %d vials in it; move them first, so that their dates follow the move", u.Code, u.Class, now.Class, total)
	case now.HazardousOnly && !u.HazardousOnly && hazardless > 0:
		say("rooms", "%s would be for hazardous products only, with %d other vials in it; move them first", u.Code, hazardless)
	default:
		for _, s := range u.Shelves {
			if _, has := now.Shelf(s.Code); !has && on[s.Code] > 0 {
				say("rooms", "shelf %s of %s is gone from the file, but %d vials are on it; move them first", s.Code, u.Code, on[s.Code])
			}
		}
	}
}

// casesOpen: while a case is open, what could show its end stays: the unit, the rule and the sensor's assignment.
func casesOpen(ctx context.Context, tx Tx, next *stock.Site, say func(key, format string, args ...any)) error {
	cases, err := tx.Cases(ctx, CaseQuery{OpenOnly: true})
	if err != nil {
		return fmt.Errorf("find open cases: %w", err)
	}
	for _, c := range cases {
		unit, _, stays := next.UnitAt(c.Unit)
		if !stays {
			say("rooms", "%s is gone from the file, but case %d of it is open; keep it until the case has recovered", c.Unit, c.No)
			continue
		}
		for _, x := range c.Excursions {
			if x.MergedInto == 0 && !x.NotBorneOut && !x.Found.Over() {
				excursionOpen(next, unit, c.No, x, say)
			}
		}
	}
	return nil
}

func excursionOpen(next *stock.Site, unit stock.Unit, caseNo int64, x ExcursionRow, say func(key, format string, args ...any)) {
	if !slices.ContainsFunc(next.RulesOf(unit), func(r stock.AlarmRule) bool { return r.Kind == string(x.Found.Kind) }) {
		say("rules", "%s would have no rule %q any more, but case %d is open under it; keep it until the case has recovered", unit.Code, x.Found.Kind, caseNo)
	}
	s, _ := next.Sensor(x.Sensor)
	watched := slices.ContainsFunc(s.Assignments, func(a stock.Assignment) bool {
		return x.Rule == ruleKey(a, stock.AlarmRule{Kind: string(x.Found.Kind)}) && a.Unit == x.Unit
	})
	if !watched {
		say("sensors", "%s is not assigned to %s any more as it was when case %d began, which is open; keep the assignment and end it with a \"to\"", x.Sensor, x.Unit, caseNo)
	}
}

// sensorsInUse: a sensor whose readings are in the record stays in the document, or nobody could say any more where
// they were measured. Its assignment is ended instead.
func sensorsInUse(ctx context.Context, tx Tx, old, next *stock.Site, say func(key, format string, args ...any)) error {
	now, err := tx.SensorsNow(ctx)
	if err != nil {
		return fmt.Errorf("find what sensors have measured: %w", err)
	}
	for _, s := range old.Sensors {
		_, stays := next.Sensor(s.Code)
		measured := slices.ContainsFunc(now, func(n SensorNow) bool { return n.Sensor == s.Code && !n.LastAt.IsZero() })
		if !stays && measured {
			say("sensors", "%s is gone from the file, but its readings are in the record; keep it and end its assignment with a \"to\"", s.Code)
		}
	}
	return nil
}
