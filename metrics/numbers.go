package metrics

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"vialward/alerts"
	"vialward/tracker"
)

// numbers collects one snapshot as constant metrics: labels that have vanished vanish with it.
type numbers struct{ s tracker.Snapshot }

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("vialward_"+name, help, labels, nil)
}

var (
	vials       = desc("vials", "Vials by where they are and the state they are in.", "site", "unit", "product", "state")
	nextBUD     = desc("next_beyond_use_timestamp_seconds", "Earliest beyond-use date of the unit's stock that is not past.", "site", "unit")
	pastBUD     = desc("past_beyond_use_vials", "Vials past their beyond-use date that still stand in the unit.", "site", "unit")
	temperature = desc("sensor_temperature_celsius", "Newest reading of the sensor, corrected by its certificate.", "site", "unit", "sensor")
	readingAge  = desc("sensor_last_reading_age_seconds", "Age of the sensor's newest reading.", "site", "unit", "sensor")
	coverage    = desc("sensor_coverage_ratio", "Share of the readings of the last 24 hours that came.", "site", "unit", "sensor")
	suspect     = desc("sensor_clock_suspect", "1 while the sensor's clock is suspect and its readings clear nothing.", "site", "unit", "sensor")
	stuck       = desc("sensor_stuck", "1 while the sensor has shown one value and no other for longer than the site finds likely.", "site", "unit", "sensor")
	calibration = desc("sensor_calibration_due_timestamp_seconds", "Until when the sensor's certificate in force is good; 0 = it has none, or none that says so.", "site", "unit", "sensor")
	opens       = desc("sensor_excursion_forecast_timestamp_seconds", "When a warm excursion opens if the sensor goes on warming as it does, by bound (earliest, latest); not there while nothing can be said.", "site", "unit", "sensor", "bound")
	neverHeard  = desc("sensor_never_heard", "1 while the sensor is in use and not one reading of it is on record.", "site", "unit", "sensor")
	open        = desc("open_excursions", "Excursions the sensor is in, by kind.", "site", "unit", "sensor", "kind")
	mails       = desc("mails", "Mails in the outbox by state.", "site", "state")
	unsentAge   = desc("outbox_oldest_unsent_seconds", "Age of the oldest mail that has not been accepted or refused; 0 when there is none.", "site")
	unsent      = desc("outbox_depth", "Mails that wait to be sent.", "site")
	accepted    = desc("outbox_last_accepted_timestamp_seconds", "When the newest accepted mail was made.", "site")
	values      = desc("values_total", "Values of temperature logs by what became of them.", "site", "class")
	sweeps      = desc("sweeps_total", "Sweep lists by what became of them.", "site", "outcome")
	signIns     = desc("sign_in_tries_total", "Tries to prove oneself by password or PIN since the start: right, wrong, or not looked at because there were too many.", "outcome")
	verified    = desc("record_verified_timestamp_seconds", "When the record was last walked from outside, by the machine's clock; 0 = never.", "site")
	walkTook    = desc("record_verification_seconds", "How long that took.", "site")
	walked      = desc("record_verified_events", "Events that were walked.", "site")
	faults      = desc("record_faults", "What was found to be tampered with.", "site")
	lastSweep   = desc("sweep_last_made_timestamp_seconds", "When the newest list was made.", "site")
)

func (n numbers) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		vials, nextBUD, pastBUD, temperature, readingAge, coverage, suspect, stuck, calibration, opens, neverHeard, open, mails, unsentAge, unsent, accepted, values, sweeps, lastSweep, signIns,
		verified, walkTook, walked, faults,
	} {
		ch <- d
	}
}

func (n numbers) Collect(ch chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	counter := func(d *prometheus.Desc, v int64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v), labels...)
	}
	for _, v := range n.s.Vials {
		gauge(vials, float64(v.N), v.Site, v.Unit, v.Product, v.State)
	}
	for _, b := range n.s.BUDs {
		gauge(pastBUD, float64(b.Past), b.Site, b.Unit)
		if !b.Next.IsZero() {
			gauge(nextBUD, seconds(b.Next), b.Site, b.Unit)
		}
	}
	for _, s := range n.s.Sensors {
		gauge(neverHeard, flag(s.NeverHeard), s.Site, s.Unit, s.Sensor)
		due := 0.0
		if !s.CalibrationDue.IsZero() {
			due = float64(s.CalibrationDue.Unix())
		}
		gauge(calibration, due, s.Site, s.Unit, s.Sensor)
		if s.NeverHeard { // a temperature or an age of nothing would be a number
			continue
		}
		gauge(temperature, s.LastMilliC.Celsius(), s.Site, s.Unit, s.Sensor)
		gauge(readingAge, n.s.At.Sub(s.LastAt).Seconds(), s.Site, s.Unit, s.Sensor)
		gauge(coverage, s.Coverage, s.Site, s.Unit, s.Sensor)
		gauge(suspect, flag(s.ClockSuspect), s.Site, s.Unit, s.Sensor)
		gauge(stuck, flag(s.Stuck), s.Site, s.Unit, s.Sensor)
		if !s.Opens.IsZero() {
			gauge(opens, float64(s.Opens.Unix()), s.Site, s.Unit, s.Sensor, "earliest")
			gauge(opens, float64(s.OpensBy.Unix()), s.Site, s.Unit, s.Sensor, "latest")
		}
	}
	for _, o := range n.s.Open {
		gauge(open, float64(o.N), o.Site, o.Unit, o.Sensor, o.Kind)
	}
	tries := n.s.SignIns
	for outcome, count := range map[string]int64{"right": tries.Right, "wrong": tries.Wrong, "not_looked_at": tries.NotLookedAt} {
		counter(signIns, count, outcome)
	}
	n.mail(gauge)
	n.work(gauge, counter)
}

// mail and what follows exist at 0 from the start: an alarm on a series that is not there never rings.
func (n numbers) mail(gauge func(*prometheus.Desc, float64, ...string)) {
	for _, site := range n.s.Sites {
		count := map[string]int64{}
		var oldest, last time.Time
		for _, m := range n.s.Mail {
			if m.Site != site {
				continue
			}
			count[m.State] = m.N
			if !m.OldestUnsent.IsZero() && (oldest.IsZero() || m.OldestUnsent.Before(oldest)) {
				oldest = m.OldestUnsent
			}
			if m.LastAccepted.After(last) {
				last = m.LastAccepted
			}
		}
		for _, s := range []alerts.State{alerts.Waiting, alerts.Claimed, alerts.Accepted, alerts.Failed, alerts.Superseded} {
			gauge(mails, float64(count[string(s)]), site, string(s))
		}
		gauge(unsent, float64(count[string(alerts.Waiting)]+count[string(alerts.Claimed)]), site)
		age := 0.0
		if !oldest.IsZero() {
			age = n.s.At.Sub(oldest).Seconds()
		}
		gauge(unsentAge, age, site)
		if !last.IsZero() {
			gauge(accepted, seconds(last), site)
		}
	}
}

func (n numbers) work(gauge func(*prometheus.Desc, float64, ...string), counter func(*prometheus.Desc, int64, ...string)) {
	for _, site := range n.s.Sites {
		var v tracker.ValueCount
		for _, x := range n.s.Values {
			if x.Site == site {
				v = x
			}
		}
		for class, count := range map[string]int64{
			"stored": v.Stored, "duplicate": v.Duplicate, "conflicting": v.Conflicting, "missing": v.Missing, "refused": v.Refused,
		} {
			counter(values, count, site, class)
		}
		var w tracker.SweepCount
		for _, x := range n.s.Sweeps {
			if x.Site == site {
				w = x
			}
		}
		for outcome, count := range map[string]int64{"made": w.Made, "confirmed": w.Confirmed, "missed": w.Missed} {
			counter(sweeps, count, site, outcome)
		}
		if !w.LastMade.IsZero() {
			gauge(lastSweep, seconds(w.LastMade), site)
		}
		n.verified(gauge, site)
	}
}

// verified stands at 0 until the record has been walked.
func (n numbers) verified(gauge func(*prometheus.Desc, float64, ...string), site string) {
	at, v := 0.0, tracker.VerifiedCount{}
	for _, x := range n.s.Verified {
		if x.Site == site {
			at, v = seconds(x.At), x
		}
	}
	gauge(verified, at, site)
	gauge(walkTook, v.Seconds, site)
	gauge(walked, float64(v.Events), site)
	gauge(faults, float64(v.Faults), site)
}

func seconds(t time.Time) float64 { return float64(t.UnixMicro()) / 1e6 }

func flag(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// MostSeries is the number of series a page never exceeds: for each site its units x products x eight states (and "in
// no unit"), two a unit, ten a sensor, and at most two dozen others. An excursion that outlives its sensor's assignment
// to a unit adds its own.
func MostSeries(sites, units, products, sensors int) int {
	const states, perUnit, perSensor, others, page = 8, 2, 10, 24, 6
	return page + sites*((units+1)*products*states+perUnit*units+perSensor*sensors+others)
}
