package web

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"reflect"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/intake"
	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/templog"
)

// readingsTime is how long one post of readings may take: the longest body over a slow line.
const readingsTime = 5 * time.Minute

// takenIn is the answer of a post: what became of every value.
type takenIn struct {
	Rows    templog.Rows      `json:"rows"`
	Refused []templog.Refusal `json:"refused"`
}

// inPart is a post that was not taken in whole, and what of it was.
type inPart struct {
	in  tracker.Intake
	err error
}

func (p *inPart) Error() string { return p.err.Error() }

// problem adds to what went wrong what is on record of the post all the same.
func (p *inPart) problem(wrong problem) problem {
	r := p.in.Rows
	sum := fmt.Sprintf("%d values read = %d stored + %d known already + %d conflicting + %d missing + %d refused",
		r.Read, r.Stored, r.Duplicate, r.Conflicting, r.Missing, r.Refused)
	wrong.Detail = strings.TrimSuffix(wrong.Detail, ".") + "."
	switch n := p.in.NotRead; {
	case p.in.ID == 0 && wrong.Status < http.StatusInternalServerError:
		wrong.Detail += " Nothing of it was taken in."
		return wrong
	case p.in.ID == 0:
		return wrong
	case n != nil:
		wrong.Detail += fmt.Sprintf(" What stands before line %d is taken in as intake %d: %s. From there on nothing was read. Sending the whole again is harmless.", n.FromLine, p.in.ID, sum)
	default:
		wrong.Detail += fmt.Sprintf(" Before that, a part of the post was taken in as intake %d and stays: %s.", p.in.ID, sum)
	}
	wrong.Intake, wrong.Rows, wrong.Refused, wrong.NotRead = p.in.ID, &r, p.in.Refused, p.in.NotRead
	return wrong
}

// posted is one reading as a logger sends it; further fields are passed over.
type posted struct {
	Sensor     string          `json:"sensor"`
	At         present.Instant `json:"at"`
	Celsius    *float64        `json:"celsius,omitempty"` // null is a missing value
	Fahrenheit *float64        `json:"fahrenheit,omitempty"`
}

func intakeRoutes() []route {
	return []route{{
		method: http.MethodPost, path: readingsPath, op: access.WriteReadings,
		say:   "Take in temperatures. Sending the same again is harmless; an unknown sensor's values are refused values in a 200.",
		media: []string{mediaCSV, mediaJSON, mediaNDJSON}, body: reflect.TypeFor[[]posted](), answer: reflect.TypeFor[takenIn](), do: takeReadings,
		more: "What is not taken is said. A body that is announced as longer than the longest that is taken is refused with 413 before any of it is read. " +
			"Reading stops where nothing useful can follow: a line of more than 4 MB, long stretches of rows that hold no value or cannot be read, a million " +
			"values in a row that are all refused, the longest body where its length was not announced. Where nothing before that was good, and behind an element " +
			"of an array that is not JSON, nothing of the post is kept. Otherwise what stands before is taken: the problem then has intake, rows (which add up over what was read), refused, " +
			"and not_read, which says from which line on nothing was read. A problem without rows says that nothing of the post is on record, or, as a 503, " +
			"that it may be; sending the whole again is always harmless.",
	}}
}

// smallPost is up to how many bytes a post is read whole and goes together with others into one transaction: what a logger
// sends of an hour or so. A longer one is on its own.
const smallPost = 16 << 10

// takeReadings answers when what was sent is stored. Of a long body nothing is kept in memory but its values, as it comes.
func takeReadings(ctx context.Context, q *ask) (any, error) {
	media, err := medium(q.r, mediaCSV, mediaJSON, mediaNDJSON)
	if err != nil {
		return nil, err
	}
	until := time.Now().Add(readingsTime)
	connection := http.NewResponseController(q.w)
	_ = connection.SetReadDeadline(until) // without a connection there is no deadline either
	_ = connection.SetWriteDeadline(until.Add(time.Minute))
	in, err := q.takeIn(ctx, media, received{q.r.Body})
	if err != nil {
		return nil, &inPart{in, err}
	}
	return takenIn{in.Rows, append([]templog.Refusal{}, in.Refused...)}, nil
}

func (q *ask) takeIn(ctx context.Context, media string, body io.Reader) (tracker.Intake, error) {
	head, err := io.ReadAll(io.LimitReader(body, smallPost+1))
	if err != nil {
		return tracker.Intake{}, err
	}
	values, err := parser(media, io.MultiReader(bytes.NewReader(head), body))
	if err != nil {
		return tracker.Intake{}, err
	}
	d := tracker.Delivery{Source: "http", Name: sender(q), Live: true, Sensors: q.token.Sensors, Values: values, Bytes: q.r.ContentLength}
	if len(head) > smallPost {
		return q.t.TakeIn(ctx, q.site.Code, q.who, d)
	}
	whole, err := intake.ReadWhole(values)
	if err != nil {
		return tracker.Intake{}, err
	}
	return q.small.TakeIn(ctx, q.site.Code, q.who, d, whole)
}

func parser(media string, body io.Reader) (*templog.Parser, error) {
	switch media {
	case mediaJSON:
		return templog.NewJSONParser(body, templog.Options{})
	case mediaNDJSON:
		return templog.NewNDJSONParser(body, templog.Options{})
	default:
		return templog.NewParser(body, nil, templog.Options{})
	}
}

// sender names a delivery in the list of intakes: whose token, from where.
func sender(q *ask) string {
	return q.who.Person.Code + " from " + arrivalOf(q.r).address
}
