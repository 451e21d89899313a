package demo

import (
	"context"
	"encoding/json"
	"html/template"
	"net/http"
	"time"

	"vialward/alerts"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// Caught is one mail the demo's relay took.
type Caught struct {
	To      string `json:"to"`
	Subject string `json:"subject"`
	At      string `json:"at"` // RFC 3339 with the site's offset
	Text    string `json:"text"`
	HTML    string `json:"html"`

	Said string `json:"-"` // At as people read it
}

// shownMails bounds the page; the JSON has them all.
const (
	shownMails = 200
	allMails   = 100_000
)

// caught lists the mails the relay has taken, newest first. They are kept in the outbox, so they outlive the listener.
func caught(ctx context.Context, t *tracker.Tracker, limit int) ([]Caught, error) {
	mails := []Caught{}
	err := t.Store.Read(ctx, Site, func(v tracker.View) error {
		rows, err := v.Outbox(ctx, limit)
		zone := v.Site().Location()
		for _, r := range rows {
			if r.State == alerts.Accepted {
				at := r.Created.In(zone)
				mails = append(mails, Caught{r.To, r.Subject, at.Format(time.RFC3339), r.Text, r.HTML, walltime.Say(at, zone)})
			}
		}
		return err
	})
	return mails, err
}

// MailJSON serves /demo/mail.json. The tracker may come later than the handler: it is asked for with each request.
func MailJSON(t func() *tracker.Tracker) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mails, err := caught(r.Context(), t(), allMails)
		if err != nil {
			http.Error(w, "the caught mail cannot be read: "+err.Error(), http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", "application/json")
		e := json.NewEncoder(w)
		e.SetEscapeHTML(false)
		_ = e.Encode(mails) // the reader has left
	})
}

var mailPage = template.Must(template.New("mail").Parse(`<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>Caught mail - demo</title><link rel="stylesheet" href="/static/style.css"></head>
<body><header><p>Demo on an invented calendar. <a href="/">Back to the site</a></p></header>
<main><h1>Caught mail</h1>
<p>The demo's own mail listener takes everything and passes nothing on. The {{len .Mails}} newest mails, newest first;
all of them as <a href="/demo/mail.json">JSON</a>.</p>
{{range .Mails}}<details><summary><strong>{{.Subject}}</strong><br>{{.Said}}, to {{.To}}</summary><pre>{{.Text}}</pre></details>
{{else}}<p>No mail yet.</p>
{{end}}</main><footer><p>{{.Caution}}</p></footer></body></html>
`))

// MailPage serves /demo/mail.
func MailPage(t func() *tracker.Tracker) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mails, err := caught(r.Context(), t(), shownMails)
		if err != nil {
			http.Error(w, "the caught mail cannot be read: "+err.Error(), http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_ = mailPage.Execute(w, struct { // the reader has left
			Mails   []Caught
			Caution string
		}{mails, stock.Caution})
	})
}
