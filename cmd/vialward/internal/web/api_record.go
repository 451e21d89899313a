package web

import (
	"context"
	"math"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
)

// eventList is a piece of the record in its one order. Next is what to ask for as after to go on.
type eventList struct {
	Events []present.Event `json:"events"`
	Next   int64           `json:"next_after"`
}

// outbox is mails, newest first.
type outbox struct {
	AsOf  present.Instant `json:"as_of"`
	Mails []present.Mail  `json:"mails"`
}

func recordReads() []route {
	limit := parameter{"limit", "integer", "How many at most."}
	return []route{
		get("/events", "The site's record, oldest first.", getEvents, parameter{"after", "integer", "Only events behind this one's seq."}, limit),
		get("/outbox", "Mails and what became of them, newest first.", getOutbox, limit),
	}
}

func getEvents(ctx context.Context, q *ask, v tracker.View) (eventList, error) {
	after, err := q.number("after", 0, 0, math.MaxInt64)
	if err != nil {
		return eventList{}, err
	}
	limit, err := q.number("limit", 200, 1, 1000)
	if err != nil {
		return eventList{}, err
	}
	events, err := v.Events(ctx, tracker.EventQuery{AfterSeq: after, Limit: int(limit)})
	out := eventList{Events: []present.Event{}, Next: after}
	for _, e := range events {
		out.Events = append(out.Events, q.as.Event(e))
		out.Next = e.Seq
	}
	return out, err
}

func getOutbox(ctx context.Context, q *ask, v tracker.View) (outbox, error) {
	limit, err := q.number("limit", 100, 1, 1000)
	if err != nil {
		return outbox{}, err
	}
	rows, err := v.Outbox(ctx, int(limit))
	out := outbox{AsOf: q.as.Instant(q.now), Mails: []present.Mail{}}
	for _, r := range rows {
		out.Mails = append(out.Mails, q.as.Mail(r))
	}
	return out, err
}
