package web

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"reflect"
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
	body := received{q.r.Body}
	d := tracker.Delivery{Source: "http", Name: sender(q), Live: true, Sensors: q.token.Sensors}
	head, err := io.ReadAll(io.LimitReader(body, smallPost+1))
	if err != nil {
		return nil, err
	}
	values, err := parser(media, io.MultiReader(bytes.NewReader(head), body))
	if err != nil {
		return nil, err
	}
	var in tracker.Intake
	if len(head) > smallPost {
		d.Values = values
		in, err = q.t.TakeIn(ctx, q.site.Code, q.who, d)
	} else {
		var whole *intake.Whole
		if whole, err = intake.ReadWhole(values); err == nil {
			in, err = q.small.TakeIn(ctx, q.site.Code, q.who, d, whole)
		}
	}
	if err != nil {
		return nil, err
	}
	return takenIn{in.Rows, append([]templog.Refusal{}, in.Refused...)}, nil
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
