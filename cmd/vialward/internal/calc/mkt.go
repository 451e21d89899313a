package calc

import (
	"errors"
	"fmt"
	"io"
	"time"

	"vialward/tracker/templog"
	"vialward/tracker/thermal"
)

// DefaultMaxGap is the longest wait between readings that `calc mkt` and `calc exposure` bridge unless told otherwise:
// the longest interval a vaccine logger may have (CDC storage toolkit, R).
const DefaultMaxGap = 30 * time.Minute

// MktOptions is what `calc mkt` is told besides the log.
type MktOptions struct {
	Layout      *templog.Layout // nil = plain form
	Zone        *time.Location  // of wall times in the log and of every time printed; nil = none in the log, UTC printed
	Unit        string          // UCUM "Cel" or "[degF]"; "" = as the log says
	EqualWeight bool
	MaxGap      time.Duration
}

// Temperatures is the document `calc mkt` prints. What cannot be said is null.
type Temperatures struct {
	Sensors []SensorTemperatures `json:"sensors"`
	Rows    templog.Rows         `json:"rows"`
	Refused []templog.Refusal    `json:"refused"`

	said said
}

// SensorTemperatures is one sensor of the log, in order of first appearance.
type SensorTemperatures struct {
	Sensor      string             `json:"sensor"`
	Readings    int                `json:"readings"`
	From        *time.Time         `json:"from"`
	To          *time.Time         `json:"to"`
	Coverage    *float64           `json:"coverage"`
	MinCelsius  *float64           `json:"min_celsius"`
	MaxCelsius  *float64           `json:"max_celsius"`
	MeanCelsius *float64           `json:"mean_celsius"`
	MKTCelsius  *float64           `json:"mkt_celsius"`
	Worst24h    *WorstWindow       `json:"worst_24h"`
	Gaps        []Span             `json:"gaps"`
	Excursions  []ExcursionInSight `json:"excursions"`
}

// WorstWindow is the 24 hours with the highest mean kinetic temperature.
type WorstWindow struct {
	From       time.Time `json:"from"`
	To         time.Time `json:"to"`
	MKTCelsius float64   `json:"mkt_celsius"`
}

// Span is a time without data.
type Span struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// ExcursionInSight is a stretch beyond 2 to 8 °C, or at or below 0 °C, without any delay.
type ExcursionInSight struct {
	Kind           thermal.Kind `json:"kind"`
	From           time.Time    `json:"from"`
	To             time.Time    `json:"to"`
	WorstFrom      *time.Time   `json:"worst_from"` // last good reading before
	WorstTo        *time.Time   `json:"worst_to"`   // first good one after
	Minutes        float64      `json:"minutes"`
	ExtremeCelsius float64      `json:"extreme_celsius"`
}

// said is what the text for a person needs besides.
type said struct {
	zone   *time.Location
	equal  bool
	maxGap time.Duration
}

// ErrMaxGap is wrong usage.
var ErrMaxGap = errors.New("--max-gap must be above 0, for example 30m")

// Mkt is `vialward calc mkt`: mean kinetic temperature and what has to stand beside it, for every sensor of a log. An
// error is wrong usage (ErrMaxGap), a *templog.DocumentError, or a failure to read.
func Mkt(in io.Reader, o MktOptions) (Result, error) {
	if o.MaxGap <= 0 {
		return Result{}, fmt.Errorf("calc mkt: %w", ErrMaxGap)
	}
	parser, err := templog.NewParser(in, o.Layout, templog.Options{Zone: o.Zone, Unit: o.Unit})
	if err != nil {
		return Result{}, fmt.Errorf("calc mkt: %w", err)
	}
	survey := thermal.Survey{MaxGap: o.MaxGap, Window: thermal.WorstWindow, EqualWeight: o.EqualWeight, Limits: thermal.RefrigeratorLimits()}
	logs, err := gather(parser, survey)
	if err != nil {
		return Result{}, fmt.Errorf("calc mkt: %w", err)
	}
	zone := o.Zone
	if zone == nil {
		zone = time.UTC
	}
	doc := Temperatures{Sensors: []SensorTemperatures{}, Rows: parser.Rows(), Refused: parser.Refused(), said: said{zone, o.EqualWeight, o.MaxGap}}
	if doc.Refused == nil {
		doc.Refused = []templog.Refusal{}
	}
	for i, name := range parser.Sensors() {
		var l sensorLog
		if i < len(logs) && logs[i] != nil {
			l = *logs[i]
		}
		statistics, repeats, conflicting := l.finish(survey)
		doc.Rows.Stored += int64(statistics.Readings)
		doc.Rows.Duplicate += int64(repeats)
		doc.Rows.Conflicting += int64(conflicting)
		doc.Sensors = append(doc.Sensors, document(name, statistics, zone))
	}
	result := Result{Document: doc, Text: doc.text()}
	if doc.Rows.Refused > 0 {
		result.Exit = 3
	}
	return result, nil
}

func document(name string, s thermal.Statistics, zone *time.Location) SensorTemperatures {
	at := func(micros int64) time.Time { return time.UnixMicro(micros).In(zone) }
	maybe := func(micros int64, there bool) *time.Time {
		if !there {
			return nil
		}
		t := at(micros)
		return &t
	}
	d := SensorTemperatures{Sensor: name, Readings: s.Readings, Gaps: []Span{}, Excursions: []ExcursionInSight{}}
	if s.Readings == 0 {
		return d
	}
	lowest, highest := s.Min.Celsius(), s.Max.Celsius()
	d.From, d.To, d.MinCelsius, d.MaxCelsius = maybe(s.FromMicros, true), maybe(s.ToMicros, true), &lowest, &highest
	if share, ok := s.Coverage(); ok {
		d.Coverage = &share
	}
	if s.Averaged {
		d.MeanCelsius, d.MKTCelsius = &s.MeanCelsius, &s.MKTCelsius
	}
	if w := s.Worst; w != (thermal.Window{}) {
		d.Worst24h = &WorstWindow{at(w.FromMicros), at(w.ToMicros), w.MKTCelsius}
	}
	for _, g := range s.Gaps {
		d.Gaps = append(d.Gaps, Span{at(g.FromMicros), at(g.ToMicros)})
	}
	for _, x := range s.Spells {
		d.Excursions = append(d.Excursions, ExcursionInSight{x.Kind, at(x.FromMicros), at(x.ToMicros), maybe(x.WorstFromMicros, x.HasWorstFrom),
			maybe(x.WorstToMicros, x.HasWorstTo), x.Minutes, x.ExtremeMilliC.Celsius()})
	}
	return d
}
