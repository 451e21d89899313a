package config

import (
	"strconv"
	"strings"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// siteReader turns the text of a site file into quantities. A text it cannot read is a problem with its line, and
// reads as zero. Each method stands beside the one that prints the quantity back.
type siteReader struct {
	*document
	zone *time.Location
}

// longest wait a site file can ask for, eleven years: far from where durations overflow.
const longest = 100_000 * time.Hour

// wait reads "90 s", "15 min" or "2 h"; "" is 0.
func (r *siteReader) wait(path, text string) time.Duration {
	if text == "" {
		return 0
	}
	number, unit, _ := strings.Cut(text, " ")
	n, err := strconv.Atoi(number)
	each := map[string]time.Duration{"s": time.Second, "min": time.Minute, "h": time.Hour}[unit]
	if err != nil || n < 0 || each == 0 || n > int(longest/each) {
		r.wrong(path, `%q is not a length of time; write a whole number, a space and s, min or h, as "15 min"`, text)
		return 0
	}
	return time.Duration(n) * each
}

// minutes is a wait that is kept in whole minutes.
func (r *siteReader) minutes(path, text string) int {
	d := r.wait(path, text)
	if d%time.Minute != 0 {
		r.wrong(path, "%q is not a whole number of minutes", text)
	}
	return int(d / time.Minute)
}

// hours is a wait that is kept in whole hours.
func (r *siteReader) hours(path, text string) int {
	d := r.wait(path, text)
	if d%time.Hour != 0 {
		r.wrong(path, "%q is not a whole number of hours", text)
	}
	return int(d / time.Hour)
}

// sayWait prints in the largest unit that leaves a whole number; 0 is "", which is how it is left out.
func sayWait(d time.Duration) string {
	switch {
	case d == 0:
		return ""
	case d%time.Hour == 0:
		return strconv.Itoa(int(d/time.Hour)) + " h"
	case d%time.Minute == 0:
		return strconv.Itoa(int(d/time.Minute)) + " min"
	}
	return strconv.Itoa(int(d/time.Second)) + " s"
}

func sayMinutes(n int) string { return sayWait(time.Duration(n) * time.Minute) }

// instant reads a date (its first instant, at the site), a wall time of the site, or RFC 3339; "" is no time.
func (r *siteReader) instant(path, text string) time.Time {
	if text == "" {
		return time.Time{}
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return walltime.Cut(t)
	}
	if day, err := time.Parse(time.DateOnly, text); err == nil {
		return walltime.StartOfDay(day.Year(), day.Month(), day.Day(), r.zone)
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02T15:04:05", "2006-01-02T15:04"} {
		wall, err := time.Parse(layout, text)
		if err != nil {
			continue
		}
		switch found := walltime.Resolve(walltime.Of(wall, time.UTC), r.zone); found.Kind {
		case walltime.Plain:
			return found.First
		case walltime.Twice:
			r.wrong(path, "%s comes twice on this day in %s; add the offset that is meant: %s or %s", text, r.zone,
				found.First.In(r.zone).Format(time.RFC3339), found.Last.In(r.zone).Format(time.RFC3339))
			return found.First
		default:
			r.wrong(path, "%s does not exist in %s, the clocks are put forward over it; write the time with its offset", text, r.zone)
			return time.Time{}
		}
	}
	r.wrong(path, `%q is not a time; write "2025-10-13", "2025-10-13 07:00" or "2025-10-13T07:00:00-04:00"`, text)
	return time.Time{}
}

// sayInstant prints a start of a day as its date, anything else with its offset.
func sayInstant(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return ""
	}
	if w := walltime.Of(t, zone); walltime.StartOfDay(w.Year, w.Month, w.Day, zone).Equal(t) {
		return t.In(zone).Format(time.DateOnly)
	}
	if _, offset := t.In(zone).Zone(); offset%60 != 0 { // before zones were agreed; RFC 3339 has no seconds there
		zone = time.UTC
	}
	return t.In(zone).Format(time.RFC3339Nano)
}

// lastDay reads a date as the end of that local day: what is good "through" a date is good on it.
func (r *siteReader) lastDay(path, text string) time.Time {
	if day, err := time.Parse(time.DateOnly, text); err == nil {
		return walltime.EndOfDay(day.Year(), day.Month(), day.Day(), r.zone)
	}
	return r.instant(path, text)
}

func sayLastDay(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return ""
	}
	w := walltime.Of(t, zone)
	day := time.Date(w.Year, w.Month, w.Day-1, 0, 0, 0, 0, time.UTC)
	if walltime.EndOfDay(day.Year(), day.Month(), day.Day(), zone).Equal(t) {
		return day.Format(time.DateOnly)
	}
	return sayFullInstant(t, zone)
}

// sayFullInstant never prints a bare date, which lastDay would read as the day's end.
func sayFullInstant(t time.Time, zone *time.Location) string {
	if s := sayInstant(t, zone); len(s) > len(time.DateOnly) {
		return s
	}
	return t.UTC().Format(time.RFC3339Nano)
}

// celsius reads a signed decimal with at most three places as thousandths of a degree, exactly.
func (r *siteReader) celsius(path, text string) int32 {
	if text == "" {
		return 0
	}
	magnitude, negative := strings.CutPrefix(text, "-")
	n, err := stock.ParseMilli(magnitude)
	if err != nil || n > 300_000 {
		r.wrong(path, `%q is not a temperature; write degrees Celsius as a plain decimal in quotes, "8" or "-0.5"`, text)
		return 0
	}
	if negative {
		n = -n
	}
	return int32(n)
}

// mass reads "40 mg", "500 mcg", "1 g" or "100 units". Units of activity stand in thousandths of a unit, the same
// scale as micrograms in milligrams.
func (r *siteReader) mass(path, text string) (stock.Micrograms, string) {
	number, unit, _ := strings.Cut(text, " ")
	n, err := stock.ParseMilli(number)
	if err == nil && n < 1e12 {
		switch {
		case unit == "mg":
			return stock.Micrograms(n), ""
		case unit == "units":
			return stock.Micrograms(n), "units"
		case unit == "g":
			return stock.Micrograms(n * 1000), ""
		case unit == "mcg" && n%1000 == 0:
			return stock.Micrograms(n / 1000), ""
		}
	}
	r.wrong(path, `%q is not an amount; write a plain decimal, a space and mg, mcg, g or units: "40 mg"`, text)
	return 0, ""
}

func sayMass(m stock.Micrograms, unit string) string {
	switch {
	case unit != "":
		return stock.SayMilli(int64(m)) + " " + unit
	case m == 0:
		return ""
	case m < 1000:
		return strconv.FormatInt(int64(m), 10) + " mcg"
	}
	return stock.SayMilli(int64(m)) + " mg"
}

// volume reads "10 mL".
func (r *siteReader) volume(path, text string) stock.Microlitres {
	number, unit, _ := strings.Cut(text, " ")
	n, err := stock.ParseMilli(number)
	if err != nil || unit != "mL" {
		r.wrong(path, `%q is not a volume; write a plain decimal, a space and mL: "10 mL"`, text)
		return 0
	}
	return stock.Microlitres(n)
}

func sayVolume(v stock.Microlitres) string { return stock.SayMilli(int64(v)) + " mL" }

// maybeVolume is a volume that may be left out: then it is none.
func (r *siteReader) maybeVolume(path, text string) stock.Microlitres {
	if text == "" {
		return 0
	}
	return r.volume(path, text)
}

func sayMaybeVolume(v stock.Microlitres) string {
	if v == 0 {
		return ""
	}
	return sayVolume(v)
}

// milli reads a plain decimal as thousandths; "" is 0.
func (r *siteReader) milli(path, text string) int64 {
	if text == "" {
		return 0
	}
	n, err := stock.ParseMilli(text)
	if err != nil {
		r.wrong(path, "%v", err)
	}
	return n
}

func sayMilli(n int64) string {
	if n == 0 {
		return ""
	}
	return stock.SayMilli(n)
}

// concentration reads "4 mg/mL" as micrograms per mL.
func (r *siteReader) concentration(path, text string) stock.Micrograms {
	number, unit, _ := strings.Cut(text, " ")
	n, err := stock.ParseMilli(number)
	if err != nil || unit != "mg/mL" {
		r.wrong(path, `%q is not a concentration; write a plain decimal, a space and mg/mL: "4 mg/mL"`, text)
		return 0
	}
	return stock.Micrograms(n)
}

func sayConcentration(ugPerML stock.Micrograms) string {
	return stock.SayMilli(int64(ugPerML)) + " mg/mL"
}

// decimal keeps a plain decimal in its shortest form; "" stays "".
func (r *siteReader) decimal(path, text string) string {
	if text == "" {
		return ""
	}
	n, err := stock.ParseMilli(text)
	if err != nil {
		r.wrong(path, "%v", err)
	}
	return stock.SayMilli(n)
}

// money reads "9.40" as hundredths.
func (r *siteReader) money(path, text string) int64 {
	n, err := stock.ParseMilli(text)
	if err != nil || n%10 != 0 {
		r.wrong(path, `%q is not a price; write a plain decimal with at most two places in quotes: "9.40"`, text)
		return 0
	}
	return n / 10
}

func sayMoney(cents int64) string {
	whole, frac := cents/100, strconv.FormatInt(100+cents%100, 10)[1:]
	return strconv.FormatInt(whole, 10) + "." + frac
}
