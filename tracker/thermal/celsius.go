// Package thermal judges temperatures: readings, mean kinetic temperature, excursions, a vial's exposure. Pure.
package thermal

import "strconv"

// MilliC is a temperature in thousandths of a degree Celsius; the only form in which a limit is compared.
type MilliC int32

// Reading is one temperature of one sensor. AtMicros is the instant in microseconds since 1970 UTC (sixteen bytes a
// reading, so that millions fit in memory and comparing is one instruction).
type Reading struct {
	AtMicros int64
	MilliC   MilliC
}

// Celsius is the temperature as a float, for printing and drawing only.
func (m MilliC) Celsius() float64 { return float64(m) / 1000 }

// String prints the shortest decimal: "4.25", "-1.8", "8".
func (m MilliC) String() string { return strconv.FormatFloat(m.Celsius(), 'f', -1, 64) }
