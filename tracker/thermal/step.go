package thermal

// Step folds readings of one sensor into a rule's state and answers the excursions that are open after it or were
// open at any time during it, oldest first. From is their identity: one that goes on is answered by each Step.
//
// Readings and conflicts are as Merge answers them. What lies at or before s.ThroughMicros was folded already and is
// passed over: late readings need a state from before them (Run). Instants are after 1970. The result depends on the readings alone, never on
// how they were cut into Steps.
//
// A conflicting instant says nothing and is skipped, unless one of its values is a freeze: then it counts as that.
// For a freeze, readings are single raw ones, never averaged or thinned.
func (r Rule) Step(s State, readings []Reading, conflicts []Conflict) (State, []Excursion) {
	f := fold{State: s.own(), limit: r.limit(), bare: r.LimitMilliC, noData: r.Kind == NoData,
		delay: r.delay(), window: r.window(), clearAfter: r.ClearAfter.Microseconds(), bridged: r.MaxGap.Microseconds()}
	for _, reading := range readings {
		for len(conflicts) > 0 && conflicts[0].AtMicros < reading.AtMicros {
			f.conflict(conflicts[0])
			conflicts = conflicts[1:]
		}
		f.reading(reading)
	}
	for _, c := range conflicts {
		f.conflict(c)
	}
	if f.Current != nil {
		f.found = append(f.found, *f.Current)
	}
	if len(f.Pending) == 0 {
		f.Pending = nil
	}
	return f.State, f.found
}

// fold is a Step under way, its rule in micros.
type fold struct {
	State
	limit                              Limit
	bare                               MilliC // freeze limit without the sensor's uncertainty
	noData                             bool
	delay, window, clearAfter, bridged int64
	found                              []Excursion
}

func (f *fold) conflict(c Conflict) {
	if c.AtMicros <= f.ThroughMicros {
		return
	}
	if f.limit.Kind == Freeze && f.limit.beyond(c.LowestMilliC) {
		f.reading(Reading{c.AtMicros, c.LowestMilliC})
		return
	}
	f.ThroughMicros = c.AtMicros
}

func (f *fold) reading(r Reading) {
	if r.AtMicros <= f.ThroughMicros {
		return
	}
	before := Reading{f.LastMicros, f.LastMilliC}
	joined := f.Seen && r.AtMicros-before.AtMicros <= f.bridged
	switch beyond := f.limit.beyond(r.MilliC); {
	case f.noData:
		if f.Seen && !joined {
			f.missing(before, r)
		}
	case f.Current != nil:
		f.goOn(before, r, joined, beyond)
	case beyond || len(f.Pending) > 0:
		f.suspect(before, r, joined, beyond)
	}
	if !f.Seen {
		f.FirstMicros = r.AtMicros
	}
	if !f.noData && !f.limit.beyond(r.MilliC) {
		f.LastGoodMicros = r.AtMicros
	}
	f.Seen, f.LastMicros, f.LastMilliC, f.ThroughMicros = true, r.AtMicros, r.MilliC, r.AtMicros
}

// missing records a wait that nothing bridges, from the last reading to the next.
func (f *fold) missing(from, to Reading) {
	f.found = append(f.found, Excursion{Kind: NoData, FromMicros: from.AtMicros, ToMicros: to.AtMicros,
		WorstFromMicros: from.AtMicros, WorstToMicros: to.AtMicros, OpenedMicros: to.AtMicros,
		ClearedMicros: to.AtMicros, LastMicros: from.AtMicros})
}

// suspect follows what is beyond the limit until it has been so for the delay, or is not any more.
func (f *fold) suspect(before, r Reading, joined, beyond bool) {
	wasBeyond := f.Seen && f.limit.beyond(before.MilliC)
	n := len(f.Pending)
	running := n > 0 && wasBeyond // the last stretch reaches up to the reading before
	if running && joined {
		f.Pending[n-1].ToMicros = r.AtMicros
		if !beyond {
			f.Pending[n-1].ToMicros = f.backIn(before, r)
		}
	}
	if running && !joined && f.window == 0 { // a gap restarts a continuous delay
		f.Pending = f.Pending[:0]
	}
	if beyond {
		if !running || !joined {
			f.Pending = append(f.Pending, f.begin(before, r, joined))
		}
		p := &f.Pending[len(f.Pending)-1]
		p.ToMicros = r.AtMicros
		p.ExtremeMilliC = f.limit.worse(p.ExtremeMilliC, r.MilliC)
		p.Readings++
		p.FreezeReadings += f.freezes(r.MilliC)
	}
	f.forget(r.AtMicros)
	switch {
	case len(f.Pending) > 0 && f.pendingMicros(r.AtMicros) >= f.delay:
		f.open(r, beyond)
	case f.window == 0 && !beyond:
		f.Pending = f.Pending[:0]
		fallthrough
	default:
		f.Phase = InRange
		if len(f.Pending) > 0 {
			f.Phase = Suspected
		}
	}
}

func (f *fold) begin(before, r Reading, joined bool) stretch {
	p := stretch{FromMicros: r.AtMicros, WorstFromMicros: f.LastGoodMicros, ExtremeMilliC: r.MilliC}
	if joined { // then the reading before was in range
		p.FromMicros = before.AtMicros + int64(f.limit.crossing(before, r))
	}
	return p
}

// backIn is where the line from a reading beyond to a good one crosses the limit, up to whole micros: not too short.
func (f *fold) backIn(before, r Reading) int64 {
	c := f.limit.crossing(before, r)
	whole := int64(c)
	if float64(whole) < c {
		whole++
	}
	return before.AtMicros + whole
}

func (f *fold) freezes(m MilliC) int {
	if f.limit.Kind == Freeze && m <= f.bare {
		return 1
	}
	return 0
}

// forget drops stretches that have left the window.
func (f *fold) forget(now int64) {
	if f.window == 0 {
		return
	}
	gone := 0
	for gone < len(f.Pending) && f.Pending[gone].ToMicros <= now-f.window {
		gone++
	}
	f.Pending = f.Pending[gone:]
}

// pendingMicros is the time beyond that counts: all of it, or what lies within the window that ends now.
func (f *fold) pendingMicros(now int64) (micros int64) {
	for _, p := range f.Pending {
		from := p.FromMicros
		if f.window > 0 {
			from = max(from, now-f.window)
		}
		micros += p.ToMicros - from
	}
	return micros
}

// open makes one excursion of the pending stretches; their minutes are used up.
func (f *fold) open(r Reading, beyond bool) {
	first, last := f.Pending[0], f.Pending[len(f.Pending)-1]
	x := Excursion{Kind: f.limit.Kind, FromMicros: first.FromMicros, WorstFromMicros: first.WorstFromMicros,
		OpenedMicros: r.AtMicros, LastMicros: r.AtMicros, ExtremeMilliC: first.ExtremeMilliC}
	for _, p := range f.Pending {
		x.ExtremeMilliC = f.limit.worse(x.ExtremeMilliC, p.ExtremeMilliC)
		x.Readings += p.Readings
		x.FreezeReadings += p.FreezeReadings
		x.BeyondMicros += p.ToMicros - p.FromMicros
	}
	f.Current, f.Pending, f.Phase = &x, nil, Open
	if !beyond {
		x.LastMicros = f.LastMicros
		x.ToMicros, x.WorstToMicros, f.GoodSinceMicros = last.ToMicros, r.AtMicros, last.ToMicros
		f.clear(r)
	}
}

// goOn follows an open excursion. A gap neither clears it nor proves anything: only the readings around it count.
func (f *fold) goOn(before, r Reading, joined, beyond bool) {
	x, wasBeyond := f.Current, f.limit.beyond(before.MilliC)
	if beyond {
		x.ToMicros, x.WorstToMicros, x.LastMicros, f.GoodSinceMicros = 0, 0, r.AtMicros, 0
		x.ExtremeMilliC = f.limit.worse(x.ExtremeMilliC, r.MilliC)
		x.Readings++
		x.FreezeReadings += f.freezes(r.MilliC)
		switch {
		case joined && wasBeyond:
			x.BeyondMicros += r.AtMicros - before.AtMicros
		case joined:
			x.BeyondMicros += r.AtMicros - before.AtMicros - int64(f.limit.crossing(before, r))
		}
		return
	}
	switch {
	case wasBeyond && joined:
		x.ToMicros = f.backIn(before, r)
		x.BeyondMicros += x.ToMicros - before.AtMicros
		x.WorstToMicros, f.GoodSinceMicros = r.AtMicros, x.ToMicros
	case wasBeyond:
		x.ToMicros, x.WorstToMicros, f.GoodSinceMicros = before.AtMicros, r.AtMicros, r.AtMicros
	case !joined:
		f.GoodSinceMicros = r.AtMicros
	}
	f.clear(r)
}

func (f *fold) clear(r Reading) {
	if r.AtMicros-f.GoodSinceMicros < f.clearAfter {
		return
	}
	f.Current.ClearedMicros = r.AtMicros
	f.found = append(f.found, *f.Current)
	f.Current, f.GoodSinceMicros, f.Phase = nil, 0, InRange
}
