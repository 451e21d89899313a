package config

import (
	"cmp"
	"slices"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// ReadSite reads a site file and lists everything wrong with it, sorted by line. The site is for use only if no
// problem but warnings is listed; Blocked says so.
func ReadSite(text []byte) (stock.Site, []Problem) {
	s, d := readSite(text)
	problems := slices.Clone(d.problems)
	if d.parsed {
		for _, m := range tracker.CheckSite(&s) {
			if !d.has(m.Key) {
				problems = append(problems, Problem{Line: d.lines.of(m.Key), Key: m.Key, Say: m.Say, Warning: m.Warning})
			}
		}
	}
	slices.SortStableFunc(problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Key, b.Key))
	})
	return s, problems
}

// Blocked says whether any of the problems is more than a warning.
func Blocked(problems []Problem) bool {
	return slices.ContainsFunc(problems, func(p Problem) bool { return !p.Warning })
}

// readSite reads without looking at what belongs together.
func readSite(text []byte) (stock.Site, *document) {
	var f siteFile
	d := open(text, &f)
	r := &siteReader{document: d, zone: time.UTC}
	if zone, err := time.LoadLocation(f.Zone); err == nil && f.Zone != "" && f.Zone != "Local" {
		r.zone = zone
	}
	s := stock.Site{
		Code: f.Code, Name: f.Name, Zone: f.Zone, Unit: f.Unit, Currency: f.Currency,
		ConfirmMinutes: r.minutes("confirm_within", f.ConfirmWithin), RemindMinutes: r.minutes("remind_every", f.RemindEvery),
		LateEntryHours: r.hours("late_entry_after", f.LateEntryAfter),
		HideProducts:   f.HideProducts, WarmLimitFromStart: f.WarmLimitFromStart, TallMan: f.TallMan,
		Rooms: r.rooms(f.Rooms), Areas: r.areas(f.Areas), Rules: r.rules("rules", f.Rules), Sensors: r.sensors(f.Sensors),
		Products: r.products(f.Products), People: r.people(f.People), Competencies: f.Competencies,
	}
	for i, v := range f.Syringes {
		s.Syringes = append(s.Syringes, r.volume(item("syringes", i+1), v))
	}
	for _, h := range f.Staffed {
		s.Staffed = append(s.Staffed, stock.Hours(h))
	}
	for _, w := range f.Sweeps {
		s.Sweeps = append(s.Sweeps, stock.Slot(w))
	}
	for _, t := range f.Routes {
		s.Routes = append(s.Routes, stock.Route(t))
	}
	for _, l := range f.Limits {
		s.Limits = append(s.Limits, stock.LimitCell{
			Category: l.Category, Method: l.Method, Tested: l.Tested, Nonsterile: l.Nonsterile, Storage: stock.Storage(l.Storage),
			Hours: l.Hours, Days: l.Days, Source: l.Source, Tag: l.Tag, ConfirmedBy: l.ConfirmedBy,
		})
	}
	for i, t := range f.Destinations {
		s.Destinations = append(s.Destinations, stock.Dest{
			Code: t.Code, Name: t.Name, MarginMinutes: r.minutes(item("destinations", i+1)+".margin", t.Margin),
		})
	}
	s.Labels = r.labels(f.Labels)
	for _, c := range f.Causes {
		s.Reasons = append(s.Reasons, stock.WasteCause(c))
	}
	return s, d
}

// WriteSite prints a site in the form ReadSite reads; reading it again gives the same site. What only the record knows
// (versions, why a product is a draft) stands in comments.
func WriteSite(s stock.Site) []byte {
	zone, err := time.LoadLocation(s.Zone)
	if err != nil { // never of a site that was loaded; instants then print in UTC
		zone = time.UTC
	}
	f := siteFile{
		Code: s.Code, Name: s.Name, Zone: s.Zone, Unit: s.Unit, Currency: s.Currency, ConfirmWithin: orNone(sayMinutes(s.ConfirmMinutes)),
		RemindEvery:    sayMinutes(s.RemindMinutes),
		LateEntryAfter: orNone(sayMinutes(60 * s.LateEntryHours)), HideProducts: s.HideProducts,
		WarmLimitFromStart: s.WarmLimitFromStart, TallMan: s.TallMan, Areas: areasToFile(s.Areas, zone), Rules: rulesToFile(s.Rules),
		Sensors: sensorsToFile(s.Sensors, zone), Products: productsToFile(s.Products, zone),
		People: peopleToFile(s.People, zone), Competencies: s.Competencies,
	}
	for _, v := range s.Syringes {
		f.Syringes = append(f.Syringes, sayVolume(v))
	}
	for _, h := range s.Staffed {
		f.Staffed = append(f.Staffed, hoursFile(h))
	}
	for _, w := range s.Sweeps {
		f.Sweeps = append(f.Sweeps, slotFile(w))
	}
	for _, t := range s.Routes {
		f.Routes = append(f.Routes, routeFile(t))
	}
	for _, r := range s.Rooms {
		f.Rooms = append(f.Rooms, roomFile{Code: r.Code, Name: r.Name, Units: unitsToFile(r.Units)})
	}
	for _, l := range s.Limits {
		f.Limits = append(f.Limits, limitFile{
			Category: l.Category, Method: l.Method, Tested: l.Tested, Nonsterile: l.Nonsterile, Storage: string(l.Storage),
			Hours: l.Hours, Days: l.Days, Source: l.Source, Tag: l.Tag, ConfirmedBy: l.ConfirmedBy,
		})
	}
	for _, t := range s.Destinations {
		f.Destinations = append(f.Destinations, destinationFile{Code: t.Code, Name: t.Name, Margin: sayMinutes(t.MarginMinutes)})
	}
	for _, c := range s.Reasons {
		f.Causes = append(f.Causes, causeFile(c))
	}
	f.Labels = sayLabels(s.Labels)
	return write(f)
}
