package config

import (
	"time"

	"vialward/tracker/stock"
)

// leastGap is the longest wait between two readings that counts as covered where the site says nothing: national
// guidance for vaccine loggers asks for a reading at least every 30 min (CDC toolkit, R).
const leastGap = 30 * time.Minute

// usuallyStuck is after how long one value is worth a look where the site says nothing: a compressor that runs shows in
// any probe within a day (common practice, no source).
const usuallyStuck = 24 * time.Hour

// never stands for a look that is not wanted.
const never = "never"

func (r *siteReader) sensors(files []sensorFile) []stock.Sensor {
	var sensors []stock.Sensor
	for i, f := range files {
		at := item("sensors", i+1)
		s := stock.Sensor{
			Code: f.Code, InLiquid: f.Medium == "liquid", Interval: r.wait(at+".interval", f.Interval),
			DeliversEvery: r.wait(at+".delivers_every", f.DeliversEvery), MaxGap: r.wait(at+".max_gap", f.MaxGap),
			SilentAfterMins: r.minutes(at+".silent_after", f.SilentAfter),
		}
		switch f.StuckAfter {
		case never:
		case "":
			s.StuckAfter = usuallyStuck
		default:
			s.StuckAfter = r.wait(at+".stuck_after", f.StuckAfter)
		}
		if f.Medium != "liquid" && f.Medium != "air" {
			r.wrong(at+".medium", `%q is not what a sensor is in; write "liquid" for a probe in a bottle, else "air"`, f.Medium)
		}
		if f.DeliversEvery == "" {
			s.DeliversEvery = s.Interval
		}
		if f.MaxGap == "" {
			s.MaxGap = max(leastGap, 2*s.Interval)
		}
		if f.SilentAfter == "" { // two deliveries may be late or lost; the third is missed (common practice, no source)
			s.SilentAfterMins = int((3*s.DeliversEvery + time.Minute - 1) / time.Minute)
		}
		for j, a := range f.Assignments {
			here := item(at+".assignments", j+1)
			s.Assignments = append(s.Assignments, stock.Assignment{
				Unit: a.Unit, Shelves: a.Shelves, From: r.instant(here+".from", a.From), To: r.instant(here+".to", a.To),
			})
		}
		for j, c := range f.Calibrations {
			here := item(at+".calibrations", j+1)
			s.Calibrations = append(s.Calibrations, stock.Calibration{
				Certificate: c.Certificate, From: r.instant(here+".from", c.From), To: r.instant(here+".to", c.To),
				Due: r.lastDay(here+".due", c.Due), OffsetMilliC: r.celsius(here+".offset_celsius", c.OffsetCelsius),
				UncertaintyMilliC: r.celsius(here+".uncertainty_celsius", c.UncertaintyCelsius),
			})
		}
		sensors = append(sensors, s)
	}
	return sensors
}

func sensorsToFile(sensors []stock.Sensor, zone *time.Location) []sensorFile {
	var files []sensorFile
	for _, s := range sensors {
		f := sensorFile{
			Code: s.Code, Medium: "air", Interval: sayWait(s.Interval), DeliversEvery: sayWait(s.DeliversEvery),
			MaxGap: sayWait(s.MaxGap), SilentAfter: sayMinutes(s.SilentAfterMins),
		}
		if s.InLiquid {
			f.Medium = "liquid"
		}
		if f.StuckAfter = sayWait(s.StuckAfter); s.StuckAfter == 0 {
			f.StuckAfter = never
		}
		for _, a := range s.Assignments {
			f.Assignments = append(f.Assignments, assignmentFile{
				Unit: a.Unit, Shelves: a.Shelves, From: sayInstant(a.From, zone), To: sayInstant(a.To, zone),
			})
		}
		for _, c := range s.Calibrations {
			f.Calibrations = append(f.Calibrations, calibrationFile{
				Certificate: c.Certificate, From: sayInstant(c.From, zone), To: sayInstant(c.To, zone), Due: sayLastDay(c.Due, zone),
				OffsetCelsius: stock.SayMilli(int64(c.OffsetMilliC)), UncertaintyCelsius: stock.SayMilli(int64(c.UncertaintyMilliC)),
			})
		}
		files = append(files, f)
	}
	return files
}
