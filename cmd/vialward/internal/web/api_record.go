package web

import (
	"context"
	"math"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/access"
)

func recordReads() []route {
	limit := parameter{"limit", "integer", "How many at most."}
	return []route{
		get(access.Read, "/events", "The site's record, oldest first.", getEvents, parameter{"after", "integer", "Only events behind this one's seq."}, limit),
		get(access.ReadMail, "/outbox", "Mails and what became of them, newest first.", getOutbox, limit),
	}
}

func getEvents(ctx context.Context, q *ask, v tracker.View) (present.EventList, error) {
	after, err := q.number("after", 0, 0, math.MaxInt64)
	if err != nil {
		return present.EventList{}, err
	}
	limit, err := q.number("limit", 200, 1, 1000)
	if err != nil {
		return present.EventList{}, err
	}
	events, err := v.Events(ctx, tracker.EventQuery{AfterSeq: after, Limit: int(limit)})
	return q.as.EventList(after, events), err
}

func getOutbox(ctx context.Context, q *ask, v tracker.View) (present.Outbox, error) {
	limit, err := q.number("limit", 100, 1, 1000)
	if err != nil {
		return present.Outbox{}, err
	}
	rows, err := v.Outbox(ctx, int(limit))
	return q.as.Outbox(rows), err
}
