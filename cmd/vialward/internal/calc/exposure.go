package calc

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"vialward/tracker/templog"
	"vialward/tracker/thermal"
)

// ExposureOptions is what `calc exposure` is told besides document and log.
type ExposureOptions struct {
	MaxGap time.Duration
}

// Exposed is the document `calc exposure` prints: what one vial met from its first stay to `at`. Times are in the
// offset of beyond_use; what cannot be said is null.
type Exposed struct {
	MinutesAbove       MinutesAbove       `json:"minutes_above"`
	MinutesBelow       MinutesBelow       `json:"minutes_below"`
	FreezeReadings     int                `json:"freeze_readings"`
	UnknownMinutes     float64            `json:"unknown_minutes"`
	MinCelsius         *float64           `json:"min_celsius"`
	MaxCelsius         *float64           `json:"max_celsius"`
	StabilityUsed      *float64           `json:"stability_used"` // 1 = all
	BeyondModelMinutes float64            `json:"beyond_model_minutes"`
	ChemicalLimit      *time.Time         `json:"chemical_limit"` // nothing about sterility
	Proposals          []thermal.Proposal `json:"proposals"`
	Rows               templog.Rows       `json:"rows"`
	Refused            []templog.Refusal  `json:"refused"`
}

// MinutesAbove and MinutesBelow are times beyond a limit, by the limit in °C.
type MinutesAbove struct {
	Above8  float64 `json:"8"`
	Above15 float64 `json:"15"`
	Above25 float64 `json:"25"`
}

// MinutesBelow is the cold side.
type MinutesBelow struct {
	Below2 float64 `json:"2"`
}

// Exposure is `vialward calc exposure`: a vial's stays crossed with the log of their sensors. An error is wrong usage
// (ErrMaxGap), a document or log that is not the one described, or a failure to read; stays or stability data that
// cannot be are a Result with Exit 3 that says why.
func Exposure(document, log io.Reader, o ExposureOptions) (Result, error) {
	if o.MaxGap <= 0 {
		return Result{}, fmt.Errorf("calc exposure: %w", ErrMaxGap)
	}
	d, err := readExposureDocument(document)
	if err != nil {
		return Result{}, fmt.Errorf("calc exposure: %w", err)
	}
	d.rules.MaxGap = o.MaxGap
	x, wrong := thermal.NewExposures(d.rules)
	if out := d.rules.AllowedOut; out != nil && *out < 0 {
		wrong = errors.Join(wrong, errors.New("allowed_out_minutes is below 0: give the minutes its source allows, or null where none does"))
	}
	if wrong != nil {
		return refuse(wrong), nil
	}
	l, err := readExposureLog(log, d, x)
	if err != nil {
		return Result{}, fmt.Errorf("calc exposure: %w", err)
	}
	stays := make([]thermal.Stay, len(d.stays))
	for i, s := range d.stays {
		stays[i] = thermal.Stay{FromMicros: s.from.UnixMicro(), ToMicros: s.to.UnixMicro(), AssumedMilliC: s.assumed}
		if s.sensor != "" {
			stays[i].Trace = l.traces[s.sensor]
		}
	}
	e, err := x.Of(stays, d.at.UnixMicro(), d.beyondUse.UnixMicro())
	if err != nil {
		return refuse(err), nil
	}
	result := Result{Document: exposed(e, l, d.zone), Text: sayExposure(e, l, d)}
	if l.rows.Refused > 0 {
		result.Exit = 3
	}
	return result, nil
}

// exposureLog is the log, as far as this vial needs it.
type exposureLog struct {
	traces  map[string]*thermal.Trace // one for each sensor of the document, with no readings where the log has none
	silent  []string                  // those
	rows    templog.Rows
	refused []templog.Refusal
}

// readExposureLog counts the whole log, and keeps what can matter to the stays: no line leads further than MaxGap.
func readExposureLog(in io.Reader, d exposureDocument, x *thermal.Exposures) (l exposureLog, err error) {
	parser, err := templog.NewParser(in, nil, templog.Options{})
	if err != nil {
		return l, err
	}
	survey := thermal.Survey{MaxGap: d.rules.MaxGap}
	logs, err := gather(parser, survey)
	if err != nil {
		return l, err
	}
	l.rows, l.refused = parser.Rows(), parser.Refused()
	l.traces = map[string]*thermal.Trace{}
	for _, s := range d.stays {
		if s.sensor == "" || l.traces[s.sensor] != nil {
			continue
		}
		var raw []thermal.Reading
		if i := slices.Index(parser.Sensors(), s.sensor); i >= 0 && i < len(logs) && logs[i].values > 0 {
			raw = near(logs[i].blocks, d)
		} else {
			l.silent = append(l.silent, s.sensor)
		}
		l.traces[s.sensor] = x.Trace(raw)
	}
	for _, log := range logs { // last, since it may sort the readings in place
		statistics, repeats, conflicting := log.finish(survey)
		l.rows.Stored += int64(statistics.Readings)
		l.rows.Duplicate += int64(repeats)
		l.rows.Conflicting += int64(conflicting)
	}
	return l, nil
}

// near copies the readings between the first stay's beginning and `at`, and those a line could lead from or to.
func near(blocks [][]thermal.Reading, d exposureDocument) (raw []thermal.Reading) {
	first := d.at
	for _, s := range d.stays {
		if s.from.Before(first) {
			first = s.from
		}
	}
	from, to := first.Add(-d.rules.MaxGap).UnixMicro(), d.at.Add(d.rules.MaxGap).UnixMicro()
	for _, b := range blocks {
		for _, r := range b {
			if from <= r.AtMicros && r.AtMicros <= to {
				raw = append(raw, r)
			}
		}
	}
	return raw
}

func exposed(e thermal.Exposure, l exposureLog, zone *time.Location) Exposed {
	doc := Exposed{
		MinutesAbove:       MinutesAbove{e.Above8.Minutes(), e.Above15.Minutes(), e.Above25.Minutes()},
		MinutesBelow:       MinutesBelow{e.Below2.Minutes()},
		FreezeReadings:     e.FreezeReadings,
		UnknownMinutes:     e.Unknown.Minutes(),
		BeyondModelMinutes: e.BeyondModel.Minutes(),
		Proposals:          append([]thermal.Proposal{}, e.Proposals...),
		Rows:               l.rows,
		Refused:            append([]templog.Refusal{}, l.refused...),
	}
	if e.Measured {
		doc.MinCelsius, doc.MaxCelsius = &e.MinCelsius, &e.MaxCelsius
	}
	if e.Modelled {
		doc.StabilityUsed = &e.StabilityUsed
	}
	if e.Limited {
		limit := time.UnixMicro(e.ChemicalLimitMicros).In(zone)
		doc.ChemicalLimit = &limit
	}
	return doc
}
