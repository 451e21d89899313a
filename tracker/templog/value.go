// Package templog turns the text of a temperature log into readings, with a reason for every value refused. Pure.
//
// A log comes in one of four forms: the plain form (NewParser without a layout), any other table described by a Layout
// (NewParser), and the two JSON forms of the HTTP interface (NewJSONParser, NewNDJSONParser). Nothing about a log is
// guessed: a missing unit or zone, an unknown column or another delimiter is a *DocumentError that says what to add.
// What cannot be read in a log that is otherwise sound is refused value by value, and the rest is taken.
package templog

import "vialward/tracker/thermal"

// Value is one good value of a log.
type Value struct {
	Sensor   int32 // index into Parser.Sensors
	Line     int32 // line in the file, from 1
	AtMicros int64 // microseconds since 1970 UTC
	MilliC   thermal.MilliC
}

// Refusal is one value, or one row, that was not taken.
type Refusal struct {
	Line int    `json:"line"`
	Why  string `json:"why"`
}

// Rows counts values, not lines; Read is the sum of all the others.
type Rows struct {
	Read        int64 `json:"read"`
	Stored      int64 `json:"stored"`
	Duplicate   int64 `json:"duplicate"`
	Conflicting int64 `json:"conflicting"`
	Missing     int64 `json:"missing"`
	Refused     int64 `json:"refused"`
}
