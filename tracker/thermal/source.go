package thermal

import "time"

// What a live source can have wrong: its clock, its sensor, its link. All of it is judged by receipt.
const (
	clockTolerance  = 15 * time.Minute // a live clock further off is suspect
	futureTolerance = 2 * time.Minute  // a reading later than receipt by more is refused
	zoneStep        = 30 * time.Minute // zones differ by whole or half hours
	zoneTolerance   = 5 * time.Minute  // how near a multiple of that an offset has to be
)

// FromFuture says whether a reading claims to be later than it can be; the caller refuses it.
func FromFuture(atMicros, receiptMicros int64) bool {
	return atMicros > receiptMicros+futureTolerance.Microseconds()
}

// Silent says whether a sensor that delivers regularly has not been heard for too long. It goes by receipt: the
// instants in late files prove nothing about now. A sensor never heard of (0) is silent.
func Silent(lastReceiptMicros int64, deliversEvery, grace time.Duration, nowMicros int64) bool {
	return nowMicros-lastReceiptMicros > (deliversEvery + grace).Microseconds()
}

// ClockSuspect compares the newest reading of a live source with its receipt. A good clock's newest reading is between
// 0 and deliversEvery old; a quarter of an hour beyond either end is allowed. The offset is how far the source's clock
// is behind (negative: ahead), to the half hour where one explains it: then it is its zone rather than its clock.
func ClockSuspect(newestReading, receipt time.Time, deliversEvery time.Duration) (offset time.Duration, suspect bool) {
	age := receipt.Sub(newestReading)
	if -clockTolerance <= age && age <= deliversEvery+clockTolerance {
		return 0, false
	}
	// The true offset lies between age - deliversEvery and age: the reading may be that old in truth.
	least, most := age-deliversEvery-zoneTolerance, age+zoneTolerance
	if step := most.Truncate(zoneStep); age > 0 && step >= least && step > 0 {
		return step, true
	}
	if step := least.Truncate(zoneStep); age < 0 && step <= most && step < 0 {
		return step, true
	}
	return age, true
}
