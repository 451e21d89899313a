// Package thermal judges temperatures: readings, mean kinetic temperature, excursions. Pure.
package thermal

// MilliC is a temperature in thousandths of a degree Celsius; the only form in which a limit is compared.
type MilliC int32

// Reading is one temperature of one sensor. AtMicros is the instant in microseconds since 1970 UTC (sixteen bytes a
// reading, so that millions fit in memory and comparing is one instruction).
type Reading struct {
	AtMicros int64
	MilliC   MilliC
}
