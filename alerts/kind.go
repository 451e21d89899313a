package alerts

// Kind is what a mail is about; the first part of its dedupe key and what a site's routes name.
type Kind string

// Every kind of mail there is. The order is the order of the site file's documentation.
const (
	Warm             Kind = "warm"              // above the unit's limit
	Cold             Kind = "cold"              // below the unit's limit, not at the freeze limit
	Freezing         Kind = "freezing"          // one reading at or below the freeze limit and the probe's uncertainty
	NoTemperatures   Kind = "no_temperatures"   // a sensor silent for longer than its gap
	NeverHeard       Kind = "never_heard"       // loggers in use without one reading on record: one mail for all, once a day
	AllSilent        Kind = "all_silent"        // every logger of a site silent: one mail, not one a logger
	AllBack          Kind = "all_back"          // they send again: one mail, in the thread of that
	Worse            Kind = "worse"             // an open incident changed for the worse
	StillOpen        Kind = "still_open"        // reminder while an incident stays open
	Recovered        Kind = "recovered"         // back in range; the hold stays
	LateData         Kind = "late_data"         // over before its readings arrived: never urgent, one an intake
	WorkEndedOut     Kind = "work_ended_out"    // planned work is over and its unit is out of range
	ClockSuspect     Kind = "clock_suspect"     // a live source's clock or zone is wrong
	SweepList        Kind = "sweep_list"        // the list, with something to pull or to use
	NothingToPull    Kind = "nothing_to_pull"   // the list, with nothing to pull
	SweepUnconfirmed Kind = "sweep_unconfirmed" // nobody signed the list by its time
	RecallOpened     Kind = "recall"            // a component or batch is recalled
	AreaDown         Kind = "area_down"         // a preparation area may do less, or nothing
	IntakeReport     Kind = "intake_report"     // a file refused, whole or in part
	ScheduleMissed   Kind = "schedule_missed"   // something due did not happen in its time
	QueueStuck       Kind = "queue_stuck"       // mail waits too long, or failed
	PathTest         Kind = "path_test"         // a drill of the way itself
)

// Kinds lists them all, for checking a site file and for tests.
func Kinds() []Kind {
	return []Kind{
		Warm, Cold, Freezing, NoTemperatures, NeverHeard, AllSilent, AllBack, Worse, StillOpen, Recovered, LateData, WorkEndedOut,
		ClockSuspect, SweepList, NothingToPull, SweepUnconfirmed, RecallOpened, AreaDown, IntakeReport,
		ScheduleMissed, QueueStuck, PathTest,
	}
}

// Severity ranks by how bad and how soon. High wakes someone; medium is for hours; low is for the next list.
type Severity string

const (
	High   Severity = "high"
	Medium Severity = "medium"
	Low    Severity = "low"
)

// Rank orders severities, the most urgent first; an unknown word counts as high, so that it is not overlooked.
func (s Severity) Rank() int {
	switch s {
	case Low:
		return 2
	case Medium:
		return 1
	case High:
		return 0
	default:
		return 0
	}
}

// Severity of a kind where no rule of the site says otherwise: high where stock is or will be exposed, medium where
// something that protects it is degraded, low for what can wait for the next working hour (common practice, no source).
func (k Kind) Severity() Severity {
	switch k {
	case Warm, Cold, Freezing, AllSilent, Worse, WorkEndedOut, RecallOpened:
		return High
	case LateData, SweepList, NothingToPull, PathTest:
		return Low
	case NoTemperatures, NeverHeard, AllBack, StillOpen, Recovered, ClockSuspect, SweepUnconfirmed, AreaDown, IntakeReport, ScheduleMissed,
		QueueStuck:
		return Medium
	default:
		return High
	}
}
