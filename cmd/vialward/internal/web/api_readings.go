package web

import (
	"context"
	"io"
	"net"
	"net/http"
	"reflect"
	"time"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
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
		method: http.MethodPost, path: readingsPath, needs: scopeReadings,
		say:   "Take in temperatures. Sending the same again is harmless; an unknown sensor's values are refused values in a 200.",
		media: []string{mediaCSV, mediaJSON, mediaNDJSON}, body: reflect.TypeFor[[]posted](), answer: reflect.TypeFor[takenIn](), do: takeReadings,
	}}
}

// takeReadings reads the body as it comes: nothing of it is kept in memory but its values.
func takeReadings(ctx context.Context, q *ask) (any, error) {
	media, err := medium(q.r, mediaCSV, mediaJSON, mediaNDJSON)
	if err != nil {
		return nil, err
	}
	until := time.Now().Add(readingsTime)
	connection := http.NewResponseController(q.w)
	_ = connection.SetReadDeadline(until) // without a connection there is no deadline either
	_ = connection.SetWriteDeadline(until.Add(time.Minute))
	values, err := parser(media, received{q.r.Body})
	if err != nil {
		return nil, err
	}
	in, err := q.t.TakeIn(ctx, q.site.Code, q.who, tracker.Delivery{
		Source: "http", Name: sender(q), Live: true, Sensors: q.token.Sensors, Values: values,
	})
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
	host, _, err := net.SplitHostPort(q.r.RemoteAddr)
	if err != nil {
		host = q.r.RemoteAddr
	}
	return q.who.Person.Code + " from " + host
}
