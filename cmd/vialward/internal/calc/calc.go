// Package calc is the calculators of the command line: a document in, a document out, no database, no configuration.
// Each calculator is one file over one pure room.
package calc

import "vialward/tracker/stock"

// Result is what a calculator prints and the exit code it asks for.
type Result struct {
	Document any    // printed with --json: one JSON document
	Text     string // printed otherwise, for a person; ends with the caution
	Exit     int    // 0 done, 3 done but some of the data was refused
}

// Caution stands under every text a calculator prints.
const Caution = stock.Caution

// Refused is the document of a calculator that refuses its whole input.
type Refused struct {
	Refused []Why `json:"refused"`
}

// Why is one reason, a sentence a person can act on.
type Why struct {
	Why string `json:"why"`
}
