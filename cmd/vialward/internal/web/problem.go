package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strconv"
	"strings"

	"vialward/cmd/vialward/internal/intake"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/templog"
)

// problem is an error as RFC 9457 has it. Detail is the sentence for a person; Code and Vial are a refusal's own, for
// programs that tell the cases apart.
type problem struct {
	Type     string `json:"type"` // "about:blank", or a urn of ours that names the kind
	Title    string `json:"title"`
	Status   int    `json:"status"`
	Detail   string `json:"detail"`
	Instance string `json:"instance,omitempty"` // the path asked for
	Code     string `json:"code,omitempty"`
	Vial     string `json:"vial,omitempty"`
	Line     int    `json:"line,omitempty"` // of a body that is not the document described

	// Of a post of readings of which a part is on record.
	Intake  int64             `json:"intake,omitempty"`
	Rows    *templog.Rows     `json:"rows,omitempty"`
	Refused []templog.Refusal `json:"refused,omitempty"`
	NotRead *tracker.NotRead  `json:"not_read,omitempty"`

	challenge  string // of a WWW-Authenticate header
	retryAfter int    // seconds, of a Retry-After header; 0 = none
}

// fault is a problem on its way up.
type fault struct {
	problem
	say string
}

func (f *fault) Error() string { return f.say }

// wrong is a fault that its status and sentence say all of.
func wrong(status int, format string, args ...any) error {
	return &fault{problem: aboutBlank(status, ""), say: fmt.Sprintf(format, args...)}
}

// urn names a kind of problem; it is never renamed.
func urn(kind string) string { return "urn:vialward:problem:" + strings.ReplaceAll(kind, "_", "-") }

// aboutBlank is a problem that its status says all of.
func aboutBlank(status int, detail string) problem {
	return problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail}
}

// standing lists the refusals that are about how things stand: the same request may be right at another time. Any other
// refusal is about what was asked.
var standing = map[string]bool{
	"expired": true, "on_hold": true, "old_label": true, "unverified": true, "gone": true, "same_person": true, "wrong_state": true, "there": true,
	"later": true, "no_hold": true, "still_out": true, "short_life": true, "confirmed": true, "withdrawn": true, "coming_in": true, "draft": true,
	"unconfirmed": true, "refreeze": true, "relabel": true, "order": true, "ended": true, "shorter": true, "closed": true,
}

// problemOf is the one place where an error of the API becomes an answer.
func (s *Server) problemOf(r *http.Request, err error) problem {
	var f *fault
	var refusal *stock.Refusal
	var document *templog.DocumentError
	var tooLong *http.MaxBytesError
	var network net.Error
	var wait *tracker.TooManyTries
	var part *inPart
	say := strings.ReplaceAll(err.Error(), "\n", "; ")
	switch {
	case errors.Is(err, errNoToken):
		p := aboutBlank(http.StatusUnauthorized, "This takes a valid API token, in a header Authorization: Bearer TOKEN. Everybody makes their own, and an administrator those of loggers: vialward token make.")
		p.challenge = `Bearer realm="vialward"`
		if bearer(r) != "" {
			p.challenge += `, error="invalid_token"`
		}
		return p
	case errors.As(err, &part):
		return part.problem(s.problemOf(r, part.err))
	case errors.As(err, &wait):
		p := problem{Type: urn("too-many-tries"), Title: "Too many tries", Status: http.StatusTooManyRequests, Detail: say}
		p.retryAfter = wait.Seconds()
		return p
	case errors.Is(err, tracker.ErrWrong), errors.Is(err, tracker.ErrPassword), errors.Is(err, tracker.ErrWrongPIN), errors.Is(err, tracker.ErrStart):
		return problem{Type: urn("not-proved"), Title: "Not let in", Status: http.StatusForbidden, Detail: say}
	case errors.As(err, &f):
		f.Detail = f.say
		return f.problem
	case errors.As(err, &tooLong):
		return aboutBlank(http.StatusRequestEntityTooLarge, tooLongSay(tooLong.Limit))
	case errors.As(err, &document):
		return problem{Type: urn("not-the-document"), Title: "Not the document described", Status: http.StatusBadRequest, Detail: document.Error(), Line: document.Line}
	case errors.As(err, &refusal):
		p := problem{Type: urn(refusal.Code), Title: "Refused", Status: http.StatusUnprocessableEntity, Detail: say, Code: refusal.Code, Vial: refusal.Vial}
		if refusal.Code == "role" || refusal.Code == "competency" || refusal.Code == "own_rights" || refusal.Code == "signature" {
			p.Status = http.StatusForbidden
		} else if standing[refusal.Code] {
			p.Status = http.StatusConflict
		}
		return p
	case errors.Is(err, tracker.ErrNotFound):
		return problem{Type: urn("not-found"), Title: "Not in the record", Status: http.StatusNotFound, Detail: say}
	case errors.Is(err, intake.ErrBusy):
		p := aboutBlank(http.StatusServiceUnavailable, "More readings arrive than can be stored at once, and these were not taken. Send them again in a moment.")
		p.retryAfter = 2
		return p
	case errors.Is(err, context.Canceled): // whoever asked has gone
		return aboutBlank(http.StatusServiceUnavailable, "The request was given up before it was done.")
	case errors.Is(err, tracker.ErrAway), errors.As(err, &network), errors.Is(err, context.DeadlineExceeded):
		s.Log.ErrorContext(r.Context(), "database", "path", r.URL.Path, "error", err)
		return aboutBlank(http.StatusServiceUnavailable, "The database does not answer. Readings can always be sent again; of anything else, look first whether it was recorded.")
	default:
		s.Log.ErrorContext(r.Context(), "request failed", "method", r.Method, "path", r.URL.Path, "error", err)
		return aboutBlank(http.StatusInternalServerError, oops)
	}
}

// forPrograms says whether whoever asked this path reads JSON rather than a page.
func forPrograms(r *http.Request) bool {
	return strings.HasPrefix(r.URL.Path, "/api/") || r.URL.Path == "/readyz"
}

// headers that go with it.
func (p problem) headers(w http.ResponseWriter) {
	if p.challenge != "" {
		w.Header().Set("WWW-Authenticate", p.challenge)
	}
	if p.retryAfter > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(p.retryAfter))
	}
}

// tell ends a request with a problem: a document for programs, its sentence for people.
func tell(w http.ResponseWriter, r *http.Request, p problem) {
	p.headers(w)
	if !forPrograms(r) {
		plain(w, p.Status, p.Detail)
		return
	}
	p.Instance = r.URL.EscapedPath()
	writeJSON(w, "application/problem+json", p.Status, p)
}

// writeJSON answers one document, encoded whole before the first byte goes out.
func writeJSON(w http.ResponseWriter, media string, status int, document any) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(document); err != nil {
		panic("web: encode the answer: " + err.Error()) // a type of ours that cannot be encoded is a fault of the program
	}
	h := w.Header()
	h.Set("Content-Type", media)
	h.Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // whoever asked may have gone
}

// isRefused says that an error is an answer about what was asked, and not a fault.
func isRefused(err error) bool {
	var r *stock.Refusal
	return errors.As(err, &r) || isMissing(err)
}

func isMissing(err error) bool { return errors.Is(err, tracker.ErrNotFound) }
