package sweep_test

import (
	"fmt"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/sweep"
)

var weekdays, weekend, everyDay = stock.Weekdays[:5], stock.Weekdays[5:], stock.Weekdays

// site is an invented pharmacy: people from 06:30 to 19:30 on weekdays, from 07:30 to 12:00 at weekends.
func site() *stock.Site {
	shelves := func(codes ...string) (s []stock.Shelf) {
		for _, c := range codes {
			s = append(s, stock.Shelf{Code: c})
		}
		return s
	}
	return &stock.Site{
		Code: "QUILL", Name: "Quillmere Infusion Pharmacy", Zone: "America/New_York", Unit: "Cel", ConfirmMinutes: 60,
		Staffed: []stock.Hours{{Days: weekdays, From: "06:30", To: "19:30"}, {Days: weekend, From: "07:30", To: "12:00"}},
		Sweeps:  []stock.Slot{{Days: weekdays, At: "07:00"}, {Days: weekdays, At: "19:00"}, {Days: weekend, At: "08:00"}, {Days: weekend, At: "19:00"}},
		Rooms: []stock.RoomPlace{
			{Code: "Q-110", Name: "aseptic suite", Units: []stock.Unit{
				{Code: "R1", Name: "tall refrigerator", Class: stock.Refrigerator, Capacity: 80, Shelves: shelves("C", "A", "B")},
			}},
			{Code: "Q-112", Name: "hazardous store", Units: []stock.Unit{
				{Code: "R6", Class: stock.Refrigerator, HazardousOnly: true, Shelves: shelves("A", "D")},
			}},
		},
	}
}

// products are those of the invented site; strengths, lives and containers are invented.
var products = map[string]stock.Product{
	"PANT": {Name: "pantoprazole", Amount: 40_000, Volume: 10_000, Disposal: "blue bin, pharmaceutical"},
	"METH": {Name: "methylPREDNISolone sodium succinate", Amount: 80_000, Volume: 2_000, Disposal: "blue bin, pharmaceutical"},
	"VECU": {Name: "vecuronium", Amount: 10_000, Volume: 10_000, Disposal: "blue bin, pharmaceutical", HighAlert: true, Warning: "PARALYZING AGENT"},
	"GANC": {Name: "ganciclovir", Amount: 100_000, Volume: 20_000, Disposal: "yellow bin, hazardous", Hazardous: true},
	"BORT": {Name: "bortezomib", Amount: 3_500, Volume: 3_500, Disposal: "yellow bin, hazardous", Hazardous: true, TwoPersons: true},
	"HYDC": {Name: long120, Amount: 100_000, Volume: 10_000},
}

// 120 letters with umlauts, words no line can take whole among them.
const long120 = "Hydrocortisonnatriumsuccinatinjektionslösungszubereitung, gebrauchsfertig verdünnt, für die Übergangspflege größer Säle."

func product(code string, version int) stock.Product {
	p := products[code]
	p.Code, p.Version = code, version
	return p
}

// at is a wall time of November 2025 in New York, after its clocks went back.
func at(day, hour, minute int) time.Time {
	return time.Date(2025, time.November, day, hour+5, minute, 0, 0, time.UTC)
}

// batch makes verified, available vials on one shelf, numbered from first.
func batch(code, product, place string, bud time.Time, first, n int) (made []stock.Vial) {
	unit, shelf := stock.SplitPlace(place)
	for i := range n {
		made = append(made, stock.Vial{
			Code: fmt.Sprintf("%s-%02d", code, first+i), Batch: code, Serial: first + i, Product: product, Version: 1,
			State: stock.Available, Verified: true, Label: 1, BUD: bud, Unit: unit, Shelf: shelf,
		})
	}
	return made
}

func with(vials []stock.Vial, change func(*stock.Vial)) []stock.Vial {
	for i := range vials {
		change(&vials[i])
	}
	return vials
}

func join(groups ...[]stock.Vial) (all []stock.Vial) {
	for _, g := range groups {
		all = append(all, g...)
	}
	return all
}

func held(kind string) func(*stock.Vial) {
	return func(v *stock.Vial) { v.Holds = append(v.Holds, stock.Hold{Kind: kind}) }
}

func warm(v *stock.Vial) {
	v.Touches = append(v.Touches, stock.Touch{HoldID: 1, Case: 57, Kind: "warm", Unit: "R1"})
}

func unverified(v *stock.Vial) { v.Verified, v.State = false, stock.InPreparation }

// input is the list of Wed 12 Nov 2025 07:00, read two minutes before.
func input(vials ...[]stock.Vial) sweep.Input {
	return sweep.Input{
		Site: site(), Slot: "2025-11-12 07:00", Number: 61, Due: at(12, 7, 0), Now: at(12, 6, 58), Until: at(12, 19, 0),
		Vials: join(vials...), Product: product,
		Heads: map[string]sweep.Head{
			"R1": {Since: at(11, 19, 0), Probes: []sweep.Probe{probe("T1", 4_700, at(12, 6, 55), 4_100, 5_400)}},
			"R6": {Since: at(11, 19, 0), Probes: []sweep.Probe{
				probe("T2", 4_320, at(12, 6, 55), 3_900, 5_000, "A"), probe("T3", 2_100, at(12, 6, 54), 1_950, 3_000, "D"),
			}},
		},
	}
}

func probe(sensor string, now int32, at time.Time, lowest, highest int32, shelves ...string) sweep.Probe {
	return sweep.Probe{
		Sensor: sensor, MilliC: new(sweep.Degrees(now)), At: at, Interval: 5 * time.Minute, Shelves: shelves,
		Lowest: new(sweep.Degrees(lowest)), Highest: new(sweep.Degrees(highest)),
	}
}
