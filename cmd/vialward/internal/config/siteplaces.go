package config

import (
	"slices"

	"vialward/tracker/stock"
)

func (r *siteReader) rooms(files []roomFile) []stock.RoomPlace {
	var rooms []stock.RoomPlace
	for i, f := range files {
		room := stock.RoomPlace{Code: f.Code, Name: f.Name}
		for j, u := range f.Units {
			room.Units = append(room.Units, r.unit(item(item("rooms", i+1)+".units", j+1), u))
		}
		rooms = append(rooms, room)
	}
	return rooms
}

func (r *siteReader) unit(path string, f unitFile) stock.Unit {
	u := stock.Unit{
		Code: f.Code, Name: f.Name, Class: stock.Storage(f.Class), HazardousOnly: f.HazardousOnly, MoveTo: f.MoveTo,
		Capacity: f.Capacity, Rules: r.rules(path+".rules", f.Rules),
	}
	for _, code := range f.Shelves {
		u.Shelves = append(u.Shelves, stock.Shelf{Code: code, ColdSpot: slices.Contains(f.ColdSpots, code)})
	}
	for k, code := range f.ColdSpots {
		if !slices.Contains(f.Shelves, code) {
			r.wrong(item(path+".cold_spots", k+1), "%s has no shelf %q; name one of its shelves", f.Code, code)
		}
	}
	if f.WorstCelsius != "" {
		worst := r.celsius(path+".worst_celsius", f.WorstCelsius)
		u.WorstMilliC = &worst
	}
	return u
}

func unitsToFile(units []stock.Unit) []unitFile {
	var files []unitFile
	for _, u := range units {
		f := unitFile{
			Code: u.Code, Name: u.Name, Class: string(u.Class), HazardousOnly: u.HazardousOnly, MoveTo: u.MoveTo,
			Capacity: u.Capacity, Rules: rulesToFile(u.Rules),
		}
		for _, s := range u.Shelves {
			f.Shelves = append(f.Shelves, s.Code)
			if s.ColdSpot {
				f.ColdSpots = append(f.ColdSpots, s.Code)
			}
		}
		if u.WorstMilliC != nil {
			f.WorstCelsius = stock.SayMilli(int64(*u.WorstMilliC))
		}
		files = append(files, f)
	}
	return files
}

// rules: a limit that is left out is an error except where silence is judged, which has none.
func (r *siteReader) rules(path string, files []ruleFile) []stock.AlarmRule {
	var rules []stock.AlarmRule
	for i, f := range files {
		at := item(path, i+1)
		if silent := f.Kind == "no_data"; silent != (f.LimitCelsius == "") {
			if silent {
				r.wrong(at+".limit_celsius", "a rule for missing readings has no limit; take it out")
			} else {
				r.wrong(at+".limit_celsius", "limit_celsius is missing: the temperature beyond which this rule counts")
			}
		}
		rules = append(rules, stock.AlarmRule{
			Kind: f.Kind, LimitMilliC: r.celsius(at+".limit_celsius", f.LimitCelsius), ForClass: stock.Storage(f.Class),
			Delay: r.wait(at+".delay", f.Delay), Window: r.wait(at+".within", f.Within), ClearAfter: r.wait(at+".clear_after", f.ClearAfter),
			Severity: f.Severity, Hold: f.Hold, PageWhenOpen: f.Page, Source: f.Source, Tag: f.Tag, ConfirmedBy: f.ConfirmedBy,
		})
	}
	return rules
}

func rulesToFile(rules []stock.AlarmRule) []ruleFile {
	var files []ruleFile
	for _, u := range rules {
		f := ruleFile{
			Kind: u.Kind, Class: string(u.ForClass), Delay: sayWait(u.Delay), Within: sayWait(u.Window), ClearAfter: sayWait(u.ClearAfter),
			Severity: u.Severity, Hold: u.Hold, Page: u.PageWhenOpen, Source: u.Source, Tag: u.Tag, ConfirmedBy: u.ConfirmedBy,
		}
		if u.Kind != "no_data" {
			f.LimitCelsius = stock.SayMilli(int64(u.LimitMilliC))
		}
		files = append(files, f)
	}
	return files
}
