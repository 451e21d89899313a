package tracker

import (
	"slices"
	"time"

	"vialward/tracker/stock"
	"vialward/tracker/templog"
	"vialward/tracker/thermal"
)

// Snapshot is the numbers of all sites at one instant, for metrics: read in a few statements, shown as often as asked.
type Snapshot struct {
	At       time.Time
	Sites    []string
	Vials    []VialCount
	BUDs     []BUDCount
	Sensors  []SensorCount
	Open     []OpenCount
	Mail     []MailCount
	Values   []ValueCount
	Sweeps   []SweepCount
	Verified []VerifiedCount

	SignIns SignInCount // of this daemon since its start, at all sites
}

// SignInCount is how many tries to prove oneself there were, by what became of them.
type SignInCount struct{ Right, Wrong, NotLookedAt int64 }

// VialCount is how many vials of a product are in a state in a unit ("" = in none).
type VialCount struct {
	Site, Unit, Product, State string
	N                          int64
}

// BUDCount is what of a unit's stock ends next, and what is past its date and still there.
type BUDCount struct {
	Site, Unit string
	Next       time.Time // of what is not past; zero = nothing
	Past       int64
}

// SensorCount is a sensor's newest reading and how much of the last day it covered.
type SensorCount struct {
	Site, Sensor, Unit string
	LastAt             time.Time
	LastMilliC         thermal.MilliC
	Coverage           float64 // of the last 24 h, 0 to 1: share of the readings its interval promises
	ClockSuspect       bool
	Steady             thermal.Steady // how long the newest value has stood
	Stuck              bool           // that is long enough to be worth a look
	CalibrationDue     time.Time      // of the certificate in force; zero = none, or none that says until when
	Opens, OpensBy     time.Time      // a warm excursion, if it goes on as it does: from when to when; zero = nothing to say
	NeverHeard         bool           // in use, and not one reading of it is on record; LastAt is zero
}

// WithUnheard adds the sensors in use that have not one reading on record.
func (s *Snapshot) WithUnheard(site *stock.Site) {
	for _, x := range site.Sensors {
		a, ok := x.At(s.At)
		if ok && !slices.ContainsFunc(s.Sensors, func(c SensorCount) bool { return c.Site == site.Code && c.Sensor == x.Code }) {
			c := SensorCount{Site: site.Code, Sensor: x.Code, Unit: a.Unit, NeverHeard: true}
			c.due(x, s.At)
			s.Sensors = append(s.Sensors, c)
		}
	}
}

// Complete fills in what the site's document knows of its sensors: the unit, the correction, and how many readings a day
// promises. Count is what Coverage held before: readings stored of the last day.
func (c *SensorCount) Complete(s stock.Sensor, now time.Time) {
	if a, ok := s.At(now); ok {
		c.Unit = a.Unit
	}
	c.due(s, now)
	c.LastMilliC = Corrected(s, c.LastAt, c.LastMilliC)
	c.Stuck = c.Steady.Stuck(s.StuckAfter, s.Interval)
	if s.Interval > 0 {
		c.Coverage = min(1, c.Coverage*float64(s.Interval)/float64(24*time.Hour))
	}
}

func (c *SensorCount) due(s stock.Sensor, now time.Time) {
	if x, ok := s.CalibrationAt(now); ok {
		c.CalibrationDue = x.Due
	}
}

// OpenCount is how many excursions of a kind a sensor is in, 0 included: an alarm on a series that is not there never rings.
type OpenCount struct {
	Site, Unit, Sensor, Kind string
	N                        int64
}

// MailCount is the outbox of a site by state.
type MailCount struct {
	Site, State  string
	N            int64
	OldestUnsent time.Time // of waiting and claimed ones; zero = none
	LastAccepted time.Time
}

// ValueCount is what became of all values ever taken in at a site.
type ValueCount struct {
	Site string
	templog.Rows
}

// SweepCount is a site's lists.
type SweepCount struct {
	Site                    string
	Made, Confirmed, Missed int64
	LastMade                time.Time
}

// VerifiedCount is when a site's record was last walked from outside, and what came of it.
type VerifiedCount struct {
	Site    string
	At      time.Time // the machine's clock
	Seconds float64
	Events  int64
	Faults  int64
}
