package alerts_test

import (
	"html/template"
	"os"
	"path/filepath"
	"strings"
	"time"

	"vialward/alerts"
	"vialward/tracker/thermal"
	"vialward/tracker/walltime"
)

// The site, its units and every figure here are invented.

func zone(name string) *time.Location {
	z, err := time.LoadLocation(name)
	if err != nil {
		panic(err)
	}
	return z
}

var newYork = zone("America/New_York")

// at reads a wall time of New York that comes once.
func at(month time.Month, day, hour, minute int) time.Time {
	return walltime.Resolve(walltime.Wall{Year: 2025, Month: month, Day: day, Hour: hour, Minute: minute}, newYork).First
}

func site(now time.Time) alerts.Site {
	return alerts.Site{Name: "Quillmere Infusion Pharmacy", Zone: newYork, Now: now, URL: "https://vialward.example/quillmere"}
}

func milli(m thermal.MilliC) *thermal.MilliC { return &m }
func minutes(n int) *int                     { return &n }
func instant(t time.Time) *time.Time         { return &t }

const (
	pantoprazole   = "pantoprazole 40 mg / 10 mL (4 mg/mL)"
	hydrocortisone = "hydrocortisone 100 mg / 10 mL (10 mg/mL)"
	ganciclovir    = "ganciclovir 100 mg / 20 mL (5 mg/mL)"
	methylpred     = "methylPREDNISolone 80 mg / 2 mL (40 mg/mL)"
)

func warm() alerts.Incident {
	now := at(time.October, 15, 2, 40)
	return alerts.Incident{
		Site: site(now), Case: 4, Wrong: alerts.Warm, Unit: "R1", Room: "Room Q-110, aseptic suite",
		Sensor: "T1", InLiquid: true, Limit: 8000, Since: at(time.October, 15, 2, 22),
		Last: &alerts.Temperature{MilliC: 9600, At: at(time.October, 15, 2, 39)}, Extreme: milli(9600), Trend: alerts.Rising,
		OnHold: 33,
		Stock: []alerts.StockLine{
			{Product: pantoprazole, Batch: "251013-1", Count: 12, Where: "shelf A", BUD: at(time.October, 17, 8, 30), Allowance: minutes(60), AllowanceAt: instant(at(time.October, 15, 3, 22))},
			{Product: hydrocortisone, Batch: "251013-2", Count: 16, Where: "shelf B", BUD: at(time.October, 20, 8, 30), Allowance: minutes(480), AllowanceAt: instant(at(time.October, 15, 10, 22))},
			{Product: methylpred, Batch: "251010-1", Count: 5, Where: "shelf C", BUD: at(time.October, 15, 2, 30)},
		},
		ActBy:   &alerts.Deadline{At: at(time.October, 15, 3, 22), What: pantoprazole + ", 60 minutes; source: site's stability file 12, invented"},
		MoveTo:  []alerts.Place{{Unit: "R2", Now: &alerts.Temperature{MilliC: 4600, At: at(time.October, 15, 2, 38)}, Free: 60}, {Unit: "R6", Free: 40, HazardousOnly: true}},
		Answers: true, Told: []string{"oncall-1"}, Next: "rph-1", NextAt: at(time.October, 15, 3, 0),
		Trace: []alerts.Temperature{{MilliC: 4700, At: at(time.October, 15, 2, 14)}, {MilliC: 7900, At: at(time.October, 15, 2, 19)},
			{MilliC: 8300, At: at(time.October, 15, 2, 24)}, {MilliC: 9100, At: at(time.October, 15, 2, 34)}, {MilliC: 9600, At: at(time.October, 15, 2, 39)}},
		History: []alerts.PastCase{{Case: 2, Wrong: alerts.Warm, From: at(time.September, 30, 14, 0), To: at(time.September, 30, 14, 25), Extreme: milli(8400)}},
	}
}

func cold() alerts.Incident {
	f := warm()
	f.Wrong, f.Limit, f.Extreme, f.Trend, f.ActBy = alerts.Cold, 2000, milli(1240), alerts.Falling, nil
	f.Last = &alerts.Temperature{MilliC: 1240, At: at(time.October, 15, 2, 39)}
	f.InLiquid, f.Trace = false, nil
	for i := range f.Stock {
		f.Stock[i].Allowance, f.Stock[i].AllowanceAt = nil, nil
	}
	return f
}

func freezing() alerts.Incident {
	f := alerts.Incident{
		Site: site(at(time.October, 25, 4, 25)), Case: 6, Wrong: alerts.Freezing, Unit: "R6", Room: "Room Q-112", Hazardous: true,
		Sensor: "T3", Where: "back wall", InLiquid: true, Limit: 0, Since: at(time.October, 25, 4, 10),
		Last: &alerts.Temperature{MilliC: -900, At: at(time.October, 25, 4, 25)}, Extreme: milli(-1800), Trend: alerts.Rising, OnHold: 24,
		Stock: []alerts.StockLine{
			{Product: ganciclovir, Batch: "251022-1", Count: 20, Where: "shelf A", BUD: at(time.October, 31, 8, 30), Allowance: minutes(720)},
			{Product: "bortezomib 3.5 mg / 3.5 mL (1 mg/mL)", Batch: "251023-2", Count: 4, Where: "shelf D", BUD: at(time.October, 29, 8, 30), Allowance: minutes(90)},
		},
		MoveTo: []alerts.Place{{Unit: "R2", Free: 60}},
	}
	return f
}

func silent() alerts.Incident {
	return alerts.Incident{
		Site: site(at(time.October, 20, 7, 15)), Case: 5, Wrong: alerts.NoTemperatures, Unit: "R3", Room: "Room Q-124, dispensary",
		Sensor: "T4", Since: at(time.October, 18, 23, 10), Last: &alerts.Temperature{MilliC: 4900, At: at(time.October, 18, 23, 10)}, OnHold: 8,
		Stock:  []alerts.StockLine{{Product: methylpred, Batch: "251017-2", Count: 8, Where: "shelf B", BUD: at(time.October, 21, 8, 30), Allowance: minutes(240)}},
		MoveTo: []alerts.Place{{Unit: "R2", Now: &alerts.Temperature{MilliC: 4600, At: at(time.October, 20, 7, 10)}, Free: 60}},
	}
}

// back is the end of the night in which all loggers were silent: one unit is warm.
func back() alerts.Back {
	early := func(hour, minute int) time.Time { return at(time.November, 5, hour, minute) }
	return alerts.Back{Site: site(early(8, 12)), Since: early(5, 40), From: early(8, 10), Heard: 6, OnHold: 41, Units: []alerts.BackUnit{
		{Unit: "R1", Room: "Room Q-110", Last: &alerts.Temperature{MilliC: 9200, At: early(8, 10)}, OnHold: 33, Case: 8, Out: "case 10, warm since Wed 5 Nov 2025 07:35 EST"},
		{Unit: "R3", Room: "Room Q-124", Last: &alerts.Temperature{MilliC: 4900, At: early(8, 10)}, OnHold: 8, Case: 9},
		{Unit: "R5", Room: "Room 5-EAST", Last: &alerts.Temperature{MilliC: 4100, At: early(8, 0)}},
	}}
}

// backBut is the same half an hour later, with one that has not come back.
func backBut() alerts.Back {
	f := back()
	f.Now, f.Heard, f.Silent = at(time.November, 5, 8, 40), 5, 1
	f.Units[0].Out, f.Units[0].Last.MilliC = "", 4800
	f.Units[1].Silent, f.Units[1].Last.At = []string{"T4"}, at(time.November, 5, 5, 40)
	return f
}

// missedLists is a computer that stood still from Saturday morning to Wednesday.
func missedLists() alerts.MissedLists {
	f := alerts.MissedLists{Site: site(at(time.November, 12, 9, 40)), Why: "vialward was not running, or the database was away", Number: 55, Slot: at(time.November, 12, 7, 0)}
	for _, d := range []int{8, 9} {
		f.Missed = append(f.Missed, at(time.November, d, 8, 0))
	}
	for _, d := range []int{10, 11} {
		f.Missed = append(f.Missed, at(time.November, d, 7, 0), at(time.November, d, 19, 0))
	}
	return f
}

// unheard is the first day of a site: of three loggers one has stock that nothing speaks for on hold, one will have it,
// and beside one another speaks for the shelf.
func unheard() alerts.Unheard {
	day := func(hour, minute int) time.Time { return at(time.October, 13, hour, minute) }
	return alerts.Unheard{Site: site(day(10, 35)), OnHold: 8, NotYet: 5, Loggers: []alerts.UnheardLogger{
		{Sensor: "T4", Unit: "R3", Room: "Room Q-124, dispensary", Assigned: at(time.October, 13, 0, 0), Vials: 8, Unproven: 8, Since: day(8, 34), Hold: true, HoldAt: day(10, 34), Case: 2},
		{Sensor: "T3", Unit: "R6", Room: "Room Q-112, hazardous preparation", Where: "shelves C and D", Assigned: at(time.October, 13, 0, 0), Vials: 9, Unproven: 5, UnprovenAt: "shelf D",
			Since: day(9, 10), Before: true, Hold: true, HoldAt: day(11, 10)},
		{Sensor: "T7", Unit: "R2", Room: "Room Q-110, aseptic suite", Assigned: at(time.October, 13, 0, 0), Vials: 12},
	}}
}

func never() alerts.Incident {
	f := silent()
	f.Site, f.Case, f.Never, f.Since, f.Last = site(at(time.October, 13, 10, 34)), 2, true, at(time.October, 13, 8, 34), nil
	f.MoveTo = nil
	f.Stock[0].BUD = at(time.October, 16, 8, 30)
	return f
}

func with(f alerts.Incident, change func(*alerts.Incident)) alerts.Incident { change(&f); return f }

func sweep() alerts.Sweep {
	return alerts.Sweep{
		Site: site(at(time.November, 12, 7, 0)), Number: 61, Slot: at(time.November, 12, 7, 0), DataRead: at(time.November, 12, 6, 58),
		Next: at(time.November, 12, 19, 0), Pull: 9, Before: []alerts.Before{{At: at(time.November, 12, 8, 30), Count: 5}}, Expected: 105,
		Text: list("busy.txt"), HTML: template.HTML(list("busy.html")),
		RecordHead: recordHead,
	}
}

// list is a list as it is sent: the golden one of the sweep's own tests.
func list(name string) string {
	text, err := os.ReadFile(filepath.Join("..", "testdata", "lists", name))
	if err != nil {
		panic(err)
	}
	return string(text)
}

const recordHead = "8123: 9f86d081 884c7d65 9a2feaa0 c55ad015 a3bf4f1b 2b0b822c d15d6c15 b0f00a08"

type sample struct {
	name  string
	kind  alerts.Kind
	facts alerts.Facts
}

// samples has every kind at least once; its names are the golden files' names.
func samples() []sample {
	night := site(at(time.November, 5, 6, 0))
	fahrenheit := with(warm(), func(f *alerts.Incident) { f.Fahrenheit = true })
	return []sample{
		{"warm", alerts.Warm, warm()},
		{"warm-fahrenheit", alerts.Warm, fahrenheit},
		{"warm-no-figure", alerts.Warm, with(warm(), func(f *alerts.Incident) {
			f.ActBy, f.MoveTo = nil, nil
			f.Stock = []alerts.StockLine{{Product: methylpred, Batch: "251010-1", Count: 33, Where: "shelf C", BUD: at(time.October, 16, 8, 30)}}
		})},
		{"cold", alerts.Cold, cold()},
		{"freezing", alerts.Freezing, freezing()},
		{"no_temperatures", alerts.NoTemperatures, silent()},
		{"worse", alerts.Worse, with(warm(), func(f *alerts.Incident) {
			f.Now = at(time.October, 15, 3, 30)
			f.Last = &alerts.Temperature{MilliC: 12400, At: at(time.October, 15, 3, 29)}
			f.Extreme = milli(12400)
		})},
		{"still_open", alerts.StillOpen, with(silent(), func(f *alerts.Incident) { f.Now = at(time.October, 20, 7, 18) })},
		{"recovered", alerts.Recovered, with(warm(), func(f *alerts.Incident) {
			f.Now, f.Cleared = at(time.October, 15, 3, 0), at(time.October, 15, 2, 57)
			f.Last = &alerts.Temperature{MilliC: 6900, At: at(time.October, 15, 2, 59)}
		})},
		{"work_ended_out", alerts.WorkEndedOut, with(warm(), func(f *alerts.Incident) {
			f.Work = &alerts.Work{Reason: "cleaning", Who: "tech-1", From: at(time.October, 15, 1, 30), To: at(time.October, 15, 2, 30)}
		})},
		{"all_silent", alerts.AllSilent, alerts.Silence{Site: night, Since: at(time.November, 5, 5, 40), OnHold: 41, Next: "rph-1", NextAt: at(time.November, 5, 6, 20),
			Units: []alerts.SilentUnit{{Unit: "R1", Room: "Room Q-110", Last: &alerts.Temperature{MilliC: 4700, At: at(time.November, 5, 5, 40)}, Vials: 33}, {Unit: "R3", Room: "Room Q-124", Vials: 8}}}},
		{"all_back", alerts.AllBack, back()},
		{"all_back-but", alerts.AllBack, backBut()},
		{"all_back-nothing", alerts.AllBack, alerts.Back{Site: night, Since: at(time.November, 5, 5, 40), From: at(time.November, 5, 6, 0), Heard: 2, Units: []alerts.BackUnit{
			{Unit: "R1", Room: "Room Q-110", Last: &alerts.Temperature{MilliC: 4700, At: at(time.November, 5, 6, 0)}}}}},
		{"never_heard", alerts.NeverHeard, unheard()},
		{"never_heard-one", alerts.NeverHeard, alerts.Unheard{Site: night, Loggers: []alerts.UnheardLogger{
			{Sensor: "T7", Unit: "R2", Room: "Room Q-110, aseptic suite", Where: "shelf A", Assigned: at(time.November, 5, 5, 0), Vials: 12},
		}}},
		{"work_ended_out-never", alerts.WorkEndedOut, with(never(), func(f *alerts.Incident) {
			f.Work = &alerts.Work{Reason: "moved to another wall", Who: "tech-1", From: at(time.October, 13, 8, 0), To: at(time.October, 13, 10, 30)}
		})},
		{"recovered-never", alerts.Recovered, with(never(), func(f *alerts.Incident) {
			f.Now, f.Cleared = at(time.October, 13, 13, 5), at(time.October, 13, 13, 0)
			f.Last = &alerts.Temperature{MilliC: 4900, At: at(time.October, 13, 13, 5)}
		})},
		{"late_data", alerts.LateData, alerts.Late{Site: night, Intake: "t5-october.csv", Received: at(time.November, 5, 5, 50),
			Cases: []alerts.LateCase{{PastCase: alerts.PastCase{Case: 7, Wrong: alerts.Warm, From: at(time.October, 12, 3, 0), To: at(time.October, 12, 4, 5), Extreme: milli(9200)}, Unit: "R4", Touched: 6}}}},
		{"clock_suspect", alerts.ClockSuspect, alerts.Clock{Site: night, Sensor: "T5", Unit: "R4", Sample: at(time.November, 5, 4, 55), Received: at(time.November, 5, 5, 55), Off: -time.Hour, Whole: true}},
		{"sweep_list", alerts.SweepList, sweep()},
		{"nothing_to_pull", alerts.NothingToPull, alerts.Sweep{RecordHead: recordHead, Site: site(at(time.November, 12, 19, 0)), Number: 62, Slot: at(time.November, 12, 19, 0),
			DataRead: at(time.November, 12, 18, 58), Next: at(time.November, 13, 7, 0), Expected: 91, OnHold: 3}},
		{"sweep_unconfirmed", alerts.SweepUnconfirmed, alerts.Unconfirmed{Site: site(at(time.November, 12, 9, 0)), Number: 61, Slot: at(time.November, 12, 7, 0),
			ConfirmBy: at(time.November, 12, 9, 0), Pull: 9, Before: []alerts.Before{{At: at(time.November, 12, 8, 30), Count: 5}}}},
		{"recall", alerts.RecallOpened, alerts.Recall{Site: night, Recall: 1, What: "water for injection, lot 4471", Reason: "The maker reports particles.",
			Opened: at(time.November, 5, 5, 58), OnHand: 4, Issued: 8, Batches: []alerts.StockLine{{Product: methylpred, Batch: "251104-1", Count: 4, Where: "shelf B", BUD: at(time.November, 8, 8, 30)}},
			IssuedTo: []string{"ward 5 East: 6", "infusion day unit: 2"}}},
		{"area_down", alerts.AreaDown, alerts.Area{Site: night, Area: "Q-110", Room: "aseptic suite", From: at(time.November, 5, 5, 0), Category: "1", Reason: "pressure difference lost", Batches: []string{"251105-1"}}},
		{"intake_report", alerts.IntakeReport, alerts.Intake{Site: night, Source: "t4.csv", Received: at(time.November, 5, 5, 50), Read: 10, Stored: 6, Duplicate: 1, Conflicting: 0, Missing: 1, RefusedAll: 2,
			Refused: []alerts.RefusedLine{{Line: 7, Why: "31/04/2025 is not a date"}, {Line: 9, Why: "02:30 does not exist on Sun 9 Mar 2025 in America/New_York"}}}},
		{"intake_report-part", alerts.IntakeReport, alerts.Intake{Site: night, Source: "t4.csv", Received: at(time.November, 5, 5, 50), Read: 2001, Stored: 1980, Duplicate: 20, RefusedAll: 1, FromLine: 2003,
			NotRead: "the rest, 104 bytes, was not read: the line goes on for more than 4 MB", Refused: []alerts.RefusedLine{{Line: 17, Why: "\"5,1\" has a decimal comma"}}}},
		{"intake_report-whole", alerts.IntakeReport, alerts.Intake{Site: night, Source: "t4.csv", Received: at(time.November, 5, 5, 50), Why: "its times have no zone; add zone to its layout"}},
		{"schedule_missed", alerts.ScheduleMissed, alerts.MissedLists{Site: night, Missed: []time.Time{at(time.November, 4, 19, 0)}, Why: "vialward was not running, or the database was away",
			Number: 52, Slot: at(time.November, 5, 5, 0)}},
		{"schedule_missed-days", alerts.ScheduleMissed, missedLists()},
		{"queue_stuck", alerts.QueueStuck, alerts.Queue{Site: night, Waiting: 4, Oldest: at(time.November, 4, 18, 0), Failed: 1, Relay: "relay.example:587", LastError: "connection refused",
			Mails: []alerts.Stuck{{Subject: "SWEEP 052 Tue 4 Nov: pull 7", To: "tech-1@pharmacy.example", Why: "connection refused", Created: at(time.November, 4, 19, 0)}}}},
		{"path_test", alerts.PathTest, alerts.Drill{Site: night, At: at(time.November, 5, 6, 0), Answers: true}},
	}
}

// unwrapped is a text without its wrapping, for looking a sentence up.
func unwrapped(s string) string { return strings.Join(strings.Fields(s), " ") }
