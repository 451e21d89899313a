package tracker_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// closable is a batch of four labelled vials of pantoprazole, with what went in and without steps; a loss of 1 mL of the
// pool is allowed.
func closable(t *testing.T, change func(*stock.Site), steps int) (s *setup, batch string, codes []string) {
	t.Helper()
	s, ctx := newSiteLike(t, func(site *stock.Site) {
		dissolved(site)
		for i, p := range site.People {
			if p.Code == "tech-2" {
				site.People[i].Competencies = able(time.Date(2025, 1, 1, 5, 0, 0, 0, time.UTC), stock.Aseptic)
			}
		}
		site.Products[0].Sharps, site.Products[0].Loss.Pool = "yellow box", 1_000
		change(site)
	}), t.Context()
	p := tracker.Prepare{
		Product: "PANT", Count: 4, Area: "PA", StartedAt: s.now.Add(-time.Hour), CompletedAt: s.now.Add(-10 * time.Minute), Components: lots("pantoprazole"),
		Mix: &tracker.Mix{SourceVials: 5},
	}
	for i, name := range tracker.Steps()[:steps] {
		p.Steps = append(p.Steps, tracker.StepDone{Name: name, At: s.now.Add(time.Duration(i-60) * time.Minute)})
	}
	made, err := s.Prepare(ctx, "SMALL", technician, p)
	require.NoError(t, err)
	for _, v := range made.Vials {
		codes = append(codes, v.Code)
	}
	return s, made.Batch.Code, codes
}

func same(*stock.Site) {}

// read is the batch as the record has it.
func (s *setup) read(t *testing.T, batch string) (b stock.Batch) {
	t.Helper()
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) (err error) {
		b, err = v.Batch(t.Context(), batch)
		return err
	}))
	return b
}

// ended is a closing that adds up for four vials for stock out of five source vials, 9 mL left.
func ended() tracker.CloseBatch {
	left := stock.Microlitres(9_000)
	return tracker.CloseBatch{
		Filled: 4, Left: &left,
		Disposed: []stock.Disposal{{What: stock.SourceVials, Count: 5}, {What: stock.Sharps, Count: 7}, {What: stock.Residue, Volume: 9_000}},
	}
}

// Steps are signed in their order, each by whoever did it; the schema holds the order too. Some come with the batch, the
// rest later, by others.
func TestStepsInOrder(t *testing.T) {
	t.Parallel()
	s, batch, _ := closable(t, same, 2)
	ctx := t.Context()
	sign := func(a tracker.Actor, name, by string, minutes int) error {
		_, err := s.SignStep(ctx, "SMALL", a, batch, tracker.StepDone{Name: name, By: by, At: s.now.Add(time.Duration(minutes) * time.Minute)})
		return err
	}
	for name, c := range map[string]struct {
		a       tracker.Actor
		step    string
		by      string
		minutes int
		code    string
	}{
		"not qualified":            {technician, "dissolved", "rph-2", -30, "competency"},
		"out of order":             {tech2, "mixed", "", -30, "steps"},
		"signed already":           {tech2, "area fit and cleaned", "", -30, "steps"},
		"no such step":             {tech2, "shaken", "", -30, "steps"},
		"before the one above":     {tech2, "dissolved", "", -60, "steps"},
		"after the end":            {tech2, "dissolved", "", -9, "steps"},
		"in the future":            {tech2, "dissolved", "", 30, "future"},
		"by nobody":                {tech2, "dissolved", "tech-9", -30, "role"},
		"by somebody who may not":  {tech2, "dissolved", "night", -30, "role"},
		"entered by who may not":   {tracker.Actor{Person: stock.Person{Code: "night"}, Via: "token"}, "dissolved", "tech-2", -30, "role"},
		"of a batch that is not":   {tech2, "dissolved", "", -30, ""},
		"of one that was there":    {tech2, "dissolved", "", -30, "taken_over"},
		"a time that was left out": {tech2, "dissolved", "", 0, "steps"},
	} {
		was := batch
		switch name {
		case "of a batch that is not":
			batch = "251013-9"
		case "of one that was there":
			over, err := s.TakeOver(ctx, "SMALL", pharmacist, tracker.TakeOver{Product: "PANT", Count: 1, BUD: "2025-10-20", Made: "2025-10-12", To: "R1/A"})
			require.NoError(t, err)
			batch = over.Batch.Code
		}
		err := sign(c.a, c.step, c.by, c.minutes)
		batch = was
		if c.code == "" {
			require.ErrorIs(t, err, tracker.ErrNotFound, name)
			continue
		}
		refused(t, err, c.code)
	}
	require.NoError(t, sign(tech2, "Dissolved", "", -30))
	require.NoError(t, sign(pharmacist, "inspected: clear, no particles", "tech-1", -20))
	require.NoError(t, sign(technician, "mixed", "", -20), "at the same minute")
	refused(t, sign(technician, "mixed", "", -15), "steps")
	b := s.read(t, batch)
	require.Len(t, b.Steps, 5)
	at := func(minutes int) time.Time { return s.now.Add(time.Duration(minutes) * time.Minute) }
	require.Equal(t, stock.Step{Name: "stoppers disinfected", By: "tech-1", At: at(-59), EnteredBy: "tech-1", EnteredAt: s.now}, b.Steps[1])
	require.Equal(t, stock.Step{Name: "dissolved", By: "tech-2", At: at(-30), EnteredBy: "tech-2", EnteredAt: s.now}, b.Steps[2])
	require.Equal(t, stock.Step{Name: "inspected: clear, no particles", By: "tech-1", At: at(-20), EnteredBy: "rph-1", EnteredAt: s.now}, b.Steps[3])
	signed := 0
	for _, e := range s.events(t, "SMALL") {
		if e.Kind == stock.StepSigned {
			signed++
			require.Equal(t, batch, e.Body.Batch)
			require.Equal(t, 2+signed, e.Body.Number)
			require.NotEmpty(t, e.Body.Digest, "the row is bound to its event")
		}
	}
	require.Equal(t, 3, signed)
}

// A preparation with steps out of their order, or one of them in the future, is refused whole.
func TestStepsOfAPreparation(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	prepare := func(steps ...tracker.StepDone) error {
		_, err := s.Prepare(ctx, "SMALL", technician, tracker.Prepare{
			Product: "PANT", Count: 1, Area: "PA", StartedAt: s.now.Add(-time.Hour), Components: lots("pantoprazole"), Steps: steps,
		})
		return err
	}
	step := func(i, minutes int) tracker.StepDone {
		return tracker.StepDone{Name: tracker.Steps()[i], At: s.now.Add(time.Duration(minutes) * time.Minute)}
	}
	refused(t, prepare(step(1, -30)), "steps")
	refused(t, prepare(step(0, -30), step(2, -20)), "steps")
	refused(t, prepare(step(0, -30), step(1, -31)), "steps")
	refused(t, prepare(step(0, 1)), "steps")
	refused(t, prepare(tracker.StepDone{Name: tracker.Steps()[0]}), "steps")
	require.NoError(t, prepare(step(0, -90), step(1, -30)), "the area was cleaned before it began")
}

// A batch is closed once, when all is signed and everything adds up; who, when, how much and where to stays in the record.
func TestClosingABatch(t *testing.T) {
	t.Parallel()
	s, batch, codes := closable(t, same, 4)
	ctx := t.Context()
	closes := func(a tracker.Actor, change func(*tracker.CloseBatch)) error {
		c := ended()
		change(&c)
		_, err := s.CloseBatch(ctx, "SMALL", a, batch, c)
		return err
	}
	asIs := func(*tracker.CloseBatch) {}
	refused(t, closes(technician, asIs), "steps")
	_, err := s.SignStep(ctx, "SMALL", technician, batch, tracker.StepDone{Name: "mixed", At: s.now.Add(-15 * time.Minute)})
	require.NoError(t, err)
	err = closes(technician, asIs)
	refused(t, err, "vials")
	require.ErrorContains(t, err, "4 vials were filled, but 0 labelled")
	require.ErrorContains(t, err, "4 vials of the record are neither labelled nor thrown away")
	_, err = s.Label(ctx, "SMALL", technician, codes, time.Time{})
	require.NoError(t, err)

	for name, c := range map[string]struct {
		a      tracker.Actor
		change func(*tracker.CloseBatch)
		code   string
	}{
		"one more filled":       {technician, func(c *tracker.CloseBatch) { c.Filled++ }, "vials"},
		"nothing measured":      {technician, func(c *tracker.CloseBatch) { c.Left, c.Disposed = nil, c.Disposed[:2] }, "left"},
		"a source vial missing": {technician, func(c *tracker.CloseBatch) { c.Disposed[0].Count = 4 }, "disposal"},
		"before its end":        {technician, func(c *tracker.CloseBatch) { c.At = s.now.Add(-11 * time.Minute) }, "order"},
		"more than 5 % missing": {technician, func(c *tracker.CloseBatch) { *c.Left, c.Disposed[2].Volume = 6_549, 6_549 }, "mass_balance"},
		"explained by who may not": {technician, func(c *tracker.CloseBatch) {
			*c.Left, c.Disposed[2].Volume, c.Explains = 6_549, 6_549, "spilled"
		}, "role"},
		"by who works with none of it": {tracker.Actor{Person: stock.Person{Code: "log-1"}, Via: "token"}, asIs, "role"},
	} {
		err := closes(c.a, c.change)
		require.Error(t, err, name)
		refused(t, err, c.code)
	}
	require.Nil(t, s.read(t, batch).Closing)

	s.now = s.now.Add(time.Hour)
	require.NoError(t, closes(tech2, func(c *tracker.CloseBatch) { // 46.55 mL of the 49 that were to be found: 5 % of them may be missing
		*c.Left, c.Disposed[2].Volume, c.Disposed[2].Container, c.Note = 6_550, 6_550, "drain, neutralised", "as always"
	}))
	b := s.read(t, batch)
	left := stock.Microlitres(6_550)
	require.Equal(t, &stock.Closing{
		By: "tech-2", At: s.now, EnteredAt: s.now, Filled: 4, Labelled: 4, Left: &left, Note: "as always",
		Yield: &stock.Yield{ExpectedVials: 4, ForStock: 4, Missing: 2_450, MilliPercent: 95_000, Tolerance: 5_000},
		Disposed: []stock.Disposal{
			{What: stock.SourceVials, Container: "black box", Count: 5}, {What: stock.Sharps, Container: "yellow box", Count: 7},
			{What: stock.Residue, Container: "drain, neutralised", Volume: 6_550},
		},
	}, b.Closing)
	events := s.events(t, "SMALL")
	last := events[len(events)-1]
	require.Equal(t, stock.BatchClosed, last.Kind)
	require.Equal(t, []any{batch, "tech-2", 4, 5}, []any{last.Body.Batch, last.By, *last.Body.Counted, *last.Body.Expected})
	require.NotEmpty(t, last.Body.Digest)
	refused(t, closes(technician, asIs), "closed")
	s.recounted(t)
}

// Rejected vials and samples, thrown away with and without a code of their own; a yield outside its tolerance with a
// pharmacist's explanation.
func TestClosingWithRejects(t *testing.T) {
	t.Parallel()
	s, batch, codes := closable(t, func(site *stock.Site) {
		site.Reasons = append(site.Reasons, stock.WasteCause{Code: "defect", Words: "particles", Class: "not avoidable"})
	}, 5)
	ctx := t.Context()
	_, err := s.Label(ctx, "SMALL", technician, codes[:2], time.Time{})
	require.NoError(t, err)
	_, err = s.Discard(ctx, "SMALL", technician, tracker.Close{Vials: codes[3:], Reason: "defect"})
	require.NoError(t, err)
	c := ended()
	c.Filled, c.Rejected, c.Samples = 5, 2, 1 // two labelled, of the record one in the bin; one more rejected and the sample had no code
	*c.Left, c.Disposed[2].Volume = 0, 0
	_, err = s.CloseBatch(ctx, "SMALL", pharmacist, batch, c)
	refused(t, err, "vials") // one of the record is nowhere
	_, err = s.Void(ctx, "SMALL", pharmacist, tracker.Close{Vials: codes[2:3], Reason: "there never was one", Witness: "rph-2"})
	require.NoError(t, err)
	_, err = s.CloseBatch(ctx, "SMALL", pharmacist, batch, c)
	refused(t, err, "disposal")
	c.Disposed = append(c.Disposed, stock.Disposal{What: stock.RejectedVials, Count: 1})
	c.Filled, c.Rejected = 4, 1
	_, err = s.CloseBatch(ctx, "SMALL", pharmacist, batch, c)
	refused(t, err, "mass_balance")
	c.Explains = "a vial broke in the hood; wiped up"
	_, err = s.CloseBatch(ctx, "SMALL", pharmacist, batch, c)
	require.NoError(t, err)
	b := s.read(t, batch)
	require.True(t, b.Closing.Yield.Outside)
	require.Equal(t, []int{4, 2, 1, 1}, []int{b.Closing.Filled, b.Closing.Labelled, b.Closing.Rejected, b.Closing.Samples})
}

// Hazardous residue goes into its own container, and a product for two persons is closed by two.
func TestClosingHazardous(t *testing.T) {
	t.Parallel()
	s, batch, codes := closable(t, func(site *stock.Site) {
		p := &site.Products[0]
		p.Hazardous, p.TwoPersons = true, true
		site.Rooms[0].Units[0].HazardousOnly = true
	}, 5)
	ctx := t.Context()
	_, err := s.Label(ctx, "SMALL", technician, codes, time.Time{})
	require.NoError(t, err)
	c := ended()
	_, err = s.CloseBatch(ctx, "SMALL", technician, batch, c)
	refused(t, err, "two_persons")
	c.Witness = "tech-1"
	_, err = s.CloseBatch(ctx, "SMALL", technician, batch, c)
	refused(t, err, "two_persons")
	c.Witness, c.Disposed[2].Container = "tech-2", "drain"
	_, err = s.CloseBatch(ctx, "SMALL", technician, batch, c)
	refused(t, err, "container")
	c.Disposed[2].Container = ""
	b, err := s.CloseBatch(ctx, "SMALL", technician, batch, c)
	require.NoError(t, err)
	require.Equal(t, "tech-2", b.Closing.Witness)
	require.Equal(t, "black box", b.Closing.Disposed[2].Container)
}

// Without a record of what went in there is nothing to compare the yield with; the vials are counted all the same. A batch
// that is voided whole, or was there before the record, is not closed.
func TestClosingWithoutAMixture(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	codes := s.batch(t, 2, "R1/A")
	batch := s.vial(t, codes[0]).Batch
	for i, name := range tracker.Steps() {
		_, err := s.SignStep(ctx, "SMALL", technician, batch, tracker.StepDone{Name: name, At: s.now.Add(time.Duration(i-40) * time.Minute)})
		require.NoError(t, err)
	}
	c := tracker.CloseBatch{Filled: 2, Disposed: []stock.Disposal{{What: stock.Sharps, Count: 3}, {What: stock.SourceVials, Count: 2}}}
	_, err := s.CloseBatch(ctx, "SMALL", technician, batch, c)
	refused(t, err, "disposal") // the master record has no container for sharps
	c.Disposed[0].Container = "yellow box"
	b, err := s.CloseBatch(ctx, "SMALL", technician, batch, c)
	require.NoError(t, err)
	require.Nil(t, b.Closing.Yield)

	codes = s.batch(t, 1, "R1/A")
	_, err = s.Void(ctx, "SMALL", pharmacist, tracker.Close{Vials: codes, Reason: "wrong start", Witness: "rph-2"})
	require.NoError(t, err)
	batch = s.vial(t, codes[0]).Batch
	for i, name := range tracker.Steps() {
		_, err := s.SignStep(ctx, "SMALL", technician, batch, tracker.StepDone{Name: name, At: s.now.Add(time.Duration(i-40) * time.Minute)})
		require.NoError(t, err)
	}
	_, err = s.CloseBatch(ctx, "SMALL", technician, batch, c)
	refused(t, err, "voided")
}

// Two who close a batch at once: one of them does.
func TestClosedOnce(t *testing.T) {
	t.Parallel()
	s, batch, codes := closable(t, same, 5)
	_, err := s.Label(t.Context(), "SMALL", technician, codes, time.Time{})
	require.NoError(t, err)
	errs := make(chan error, 4)
	for range cap(errs) {
		go func() {
			_, err := s.CloseBatch(t.Context(), "SMALL", technician, batch, ended())
			errs <- err
		}()
	}
	closed := 0
	for range cap(errs) {
		err := <-errs
		if err == nil {
			closed++
			continue
		}
		refused(t, err, "closed")
	}
	require.Equal(t, 1, closed)
}
