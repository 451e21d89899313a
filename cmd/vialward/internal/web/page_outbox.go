package web

import (
	"context"
	"fmt"
	"net/http"
	"strconv"

	"vialward/alerts"
	"vialward/tracker"
)

// outboxPage lists mails, the newest first, each with its fate.
type outboxPage struct {
	Threads []mailThread
	States  []choice
	Newer   string // link, "" = these are the newest
	Older   string // link, "" = there are none
}

// mailThread is the mails of one incident on this page, the newest first; one that stands alone is a thread of its own.
type mailThread struct {
	Subject string // of its newest
	Mails   []mailLine
}

func (outboxPage) Title() string { return "Mail" }

type mailLine struct {
	ID                           int64
	Link, To, Subject, Kind      string
	Severity, State, Why, Answer string
	Created                      moment
	Failed                       bool
	Attempts                     int
}

const mostMails = 25 // a page; more is a long way with a thumb

func outboxPageOf(ctx context.Context, v *visit) (content, error) {
	asked := v.r.URL.Query().Get("state")
	p := outboxPage{States: []choice{{"all", v.link("/outbox"), asked == ""}}}
	known := asked == ""
	for _, s := range []alerts.State{alerts.Waiting, alerts.Failed, alerts.Accepted, alerts.Superseded} {
		p.States = append(p.States, choice{string(s), with(v.link("/outbox"), "state", string(s)), asked == string(s)})
		known = known || asked == string(s)
	}
	if !known {
		return nil, wrong(http.StatusBadRequest, "Mails are waiting, failed, accepted or superseded, not %q. Choose one of them.", asked)
	}
	q := tracker.OutboxQuery{Limit: mostMails + 1}
	here := v.link("/outbox")
	if asked != "" {
		here, q.States = with(here, "state", asked), []alerts.State{alerts.State(asked)}
	}
	if asked == string(alerts.Waiting) {
		q.States = append(q.States, alerts.Claimed) // being sent at this moment: it waits for the relay's answer
	}
	if before := v.r.URL.Query().Get("before"); before != "" {
		var err error
		if q.Before, err = strconv.ParseInt(before, 10, 64); err != nil || q.Before < 1 {
			return nil, wrong(http.StatusBadRequest, "%q is not the number of a mail; the page begins before it.", before)
		}
		p.Newer = here
	}
	rows, err := v.view.OutboxPage(ctx, q)
	if err != nil {
		return nil, err
	}
	if len(rows) > mostMails {
		rows = rows[:mostMails]
		p.Older = with(here, "before", strconv.FormatInt(rows[mostMails-1].ID, 10))
	}
	index := map[string]int{}
	for _, m := range rows {
		i, known := index[m.Thread]
		if !known || m.Thread == "" {
			i = len(p.Threads)
			index[m.Thread] = i
			p.Threads = append(p.Threads, mailThread{Subject: m.Subject})
		}
		p.Threads[i].Mails = append(p.Threads[i].Mails, v.mailLine(m))
	}
	return p, nil
}

// mailState says what became of a mail.
func mailState(m alerts.Row) string {
	switch m.State {
	case alerts.Waiting:
		if m.Attempt == 0 {
			return "WAITING, not tried yet"
		}
		return fmt.Sprintf("WAITING, tried %s", times(m.Attempt))
	case alerts.Claimed:
		return "WAITING, being sent"
	case alerts.Accepted:
		return "accepted by the relay"
	case alerts.Failed:
		return "FAILED: it will not arrive"
	case alerts.Superseded:
		return "not sent: a newer mail said it better"
	default:
		return string(m.State)
	}
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// mailPage is one mail as it was written.
type mailPage struct {
	mailLine
	MessageID string
	Text      string
	Case      string // link
}

func (p mailPage) Title() string { return fmt.Sprintf("Mail %d", p.ID) }

func mailPageOf(ctx context.Context, v *visit) (content, error) {
	id, err := strconv.ParseInt(v.r.PathValue("id"), 10, 64)
	if err != nil || id < 1 {
		return nil, wrong(http.StatusBadRequest, "%q is not the number of a mail.", v.r.PathValue("id"))
	}
	newest, err := v.view.Outbox(ctx, 1)
	if err != nil {
		return nil, err
	}
	if len(newest) > 0 && newest[0].ID >= id {
		rows, err := v.view.Outbox(ctx, int(newest[0].ID-id)+1) // numbers grow, with holes: it is among these, or nowhere
		if err != nil {
			return nil, err
		}
		for _, m := range rows {
			if m.ID == id {
				return v.mailPage(m), nil
			}
		}
	}
	return nil, wrong(http.StatusNotFound, "There is no mail %d at %s.", id, v.site.Name)
}

func (v *visit) mailPage(m alerts.Row) mailPage {
	p := mailPage{mailLine: v.mailLine(m), MessageID: m.MessageID, Text: m.Text}
	var no, since int64
	if n, err := fmt.Sscanf(m.Thread, "case/%d/%d", &no, &since); err == nil && n == 2 {
		p.Case = v.link("/cases/", no)
	}
	return p
}
