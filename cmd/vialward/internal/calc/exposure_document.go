package calc

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"vialward/tracker/beyonduse"
	"vialward/tracker/thermal"
)

// Keys of the document, those that may be null or left out marked. Without stability data there is no number, which is
// an answer.
var (
	exposureKeys = map[string]bool{
		"stays": false, "beyond_use": false, "at": false, "stability": true, "allowed_out_minutes": true, "freeze_celsius": false,
	}
	stayKeys          = map[string]bool{"sensor": true, "assumed_celsius": true, "from": false, "to": false}
	exposureStability = map[string]bool{"label_celsius": false, "points": false, "activation_kj_per_mol": true}
	pointKeys         = map[string]bool{"celsius": false, "hours": false}
)

// maxDocument is far more than a vial's life needs; a log handed in by mistake is not read to its end.
const maxDocument = 1 << 20

// exposureDocument is what `calc exposure` is told besides the log.
type exposureDocument struct {
	stays         []exposureStay
	beyondUse, at time.Time
	zone          *time.Location // beyond_use's offset
	rules         thermal.ExposureRules
}

type exposureStay struct {
	sensor   string // "" = assumed
	assumed  thermal.MilliC
	from, to time.Time
}

// readDocument reads a calculator's JSON text.
func readDocument(in io.Reader) ([]byte, error) {
	text, err := io.ReadAll(io.LimitReader(in, maxDocument+1))
	if err != nil {
		return nil, fmt.Errorf("reading the document: %w", err)
	}
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	switch {
	case len(text) > maxDocument:
		return nil, errors.New("the document is longer than a megabyte: give one JSON object")
	case !utf8.Valid(text):
		return nil, errors.New("the document is not UTF-8: save it as UTF-8 text")
	}
	return text, nil
}

// readExposureDocument reads the document strictly: keys in their exact spelling and once each, instants with their
// offset, numbers exactly as their decimal text. Every mistake is listed with its place.
func readExposureDocument(in io.Reader) (x exposureDocument, err error) {
	text, err := readDocument(in)
	if err != nil {
		return x, err
	}
	d := budReader{zone: time.UTC}
	if fields := d.fields("", text, exposureKeys); fields != nil {
		x = d.exposure(fields)
	}
	if len(d.wrong) > 0 {
		return x, errors.New(strings.Join(d.wrong, "; "))
	}
	return x, nil
}

func (d *budReader) exposure(fields map[string]json.RawMessage) (x exposureDocument) {
	for i, raw := range d.list(fields, "stays") {
		x.stays = append(x.stays, d.stay(fmt.Sprintf("stays[%d].", i), raw))
	}
	x.beyondUse = d.instant(fields, "beyond_use")
	x.zone = offsetOf(fields["beyond_use"])
	x.at = d.instant(fields, "at")
	if raw, ok := fields["stability"]; ok {
		x.rules.Stability = d.exposureStability(raw)
	}
	if _, ok := fields["allowed_out_minutes"]; ok {
		out := d.minutes(fields, "allowed_out_minutes")
		x.rules.AllowedOut = &out
	}
	if raw, ok := fields["freeze_celsius"]; ok {
		x.rules.FreezeMilliC = d.celsius(raw, "freeze_celsius")
	}
	return x
}

func (d *budReader) stay(path string, raw json.RawMessage) (s exposureStay) {
	fields := d.fields(path, raw, stayKeys)
	if fields == nil {
		return s
	}
	_, measured := fields[path+"sensor"]
	assumed, worst := fields[path+"assumed_celsius"]
	if measured == worst {
		d.say(`%s needs "sensor" (of the log) or "assumed_celsius" (a place without one, at its worst), one of the two`, strings.TrimSuffix(path, "."))
	}
	s.sensor, _ = d.text(fields, path+"sensor")
	if worst {
		s.assumed = d.celsius(assumed, path+"assumed_celsius")
	}
	s.from, s.to = d.instant(fields, path+"from"), d.instant(fields, path+"to")
	return s
}

func (d *budReader) exposureStability(raw json.RawMessage) (s thermal.Stability) {
	fields := d.fields("stability.", raw, exposureStability)
	if label := d.list(fields, "stability.label_celsius"); len(label) == len(s.LabelMilliC) {
		for i := range s.LabelMilliC {
			s.LabelMilliC[i] = d.celsius(label[i], fmt.Sprintf("stability.label_celsius[%d]", i))
		}
	} else if fields["stability.label_celsius"] != nil {
		d.say(`"stability.label_celsius" must be the two ends of the labelled storage, such as [2, 8]`)
	}
	for i, raw := range d.list(fields, "stability.points") {
		path := fmt.Sprintf("stability.points[%d].", i)
		point := d.fields(path, raw, pointKeys)
		p := thermal.StabilityPoint{Keeps: d.hours(point, path+"hours")}
		if raw, ok := point[path+"celsius"]; ok {
			p.MilliC = d.celsius(raw, path+"celsius")
		}
		s.Points = append(s.Points, p)
	}
	if n := d.number(fields, "stability.activation_kj_per_mol"); n != nil {
		energy, _ := n.Float64()
		s.ActivationKJPerMol = &energy
		if math.IsInf(energy, 0) {
			d.say(`"stability.activation_kj_per_mol" is no energy`)
		}
	}
	return s
}

func (d *budReader) instant(fields map[string]json.RawMessage, path string) time.Time {
	s, ok := d.text(fields, path)
	if !ok {
		return time.Time{}
	}
	t, ok := beyonduse.Instant(s)
	if !ok {
		d.say(`%q is %q, which is no instant: write date, time and offset, such as "2025-11-12T08:30:00-05:00", from %d to %d`,
			path, s, beyonduse.FirstYear, beyonduse.LastYear)
	}
	return t
}

// offsetOf is the offset an instant is written with, as a zone; UTC where there is none to be read.
func offsetOf(raw json.RawMessage) *time.Location {
	var t time.Time
	if json.Unmarshal(raw, &t) != nil {
		return time.UTC
	}
	if _, offset := t.Zone(); offset != 0 {
		return time.FixedZone("", offset)
	}
	return time.UTC
}
