package web

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"vialward/tracker/label"
	"vialward/tracker/stock"
)

// parameter of a query, as openapi.json describes it.
type parameter struct {
	name, kind string // kind: string, integer, boolean, date-time
	say        string
}

func parametersInWords(ps []parameter) string {
	if len(ps) == 0 {
		return "only site can be said."
	}
	names := make([]string, len(ps))
	for i, p := range ps {
		names[i] = p.name
	}
	return "there are " + strings.Join(names, ", ") + " and site."
}

func (q *ask) text(name string) string { return q.r.URL.Query().Get(name) }

// number reads a whole number from least to most; otherwise where it is left out.
func (q *ask) number(name string, otherwise, least, most int64) (int64, error) {
	s := q.text(name)
	if s == "" {
		return otherwise, nil
	}
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || n < least || n > most {
		return 0, wrong(http.StatusBadRequest, "%s=%q is not a whole number from %d to %d.", name, s, least, most)
	}
	return n, nil
}

func (q *ask) flag(name string) (bool, error) {
	switch s := q.text(name); s {
	case "", "false":
		return false, nil
	case "true":
		return true, nil
	default:
		return false, wrong(http.StatusBadRequest, "%s=%q is neither true nor false.", name, s)
	}
}

// instant reads RFC 3339. A plus sign that was not escaped arrives as a space, and means itself.
func (q *ask) instant(name string, otherwise time.Time) (time.Time, error) {
	s := q.text(name)
	if s == "" {
		return otherwise, nil
	}
	t, err := time.Parse(time.RFC3339, plusSign(s))
	if err != nil {
		return t, wrong(http.StatusBadRequest, "%s=%q is not a time with its offset; write it as 2025-11-12T08:30:00-05:00, with %%2B for a plus sign.", name, s)
	}
	return t, nil
}

// plusSign puts a plus sign back that was not escaped.
func plusSign(s string) string { return strings.ReplaceAll(s, " ", "+") }

// inPath reads a number that is part of the path.
func (q *ask) inPath(name, what string) (int64, error) { return numberIn(q.r, name, what) }

// numberIn reads the number of a thing in a path.
func numberIn(r *http.Request, name, what string) (int64, error) {
	n, err := strconv.ParseInt(r.PathValue(name), 10, 64)
	if err != nil || n < 1 {
		return 0, wrong(http.StatusNotFound, "%q is not the number of a %s.", r.PathValue(name), what)
	}
	return n, nil
}

// vialCode reads a code as people and scanners write it: case, hyphens and letters that look like digits are forgiven,
// wrong check digits are not.
func vialCode(s string) (string, error) {
	code, err := label.CheckCode(s)
	if err != nil {
		return "", stock.Refuse("code", "", "%s", err)
	}
	return code, nil
}

// batchCode reads a batch's code as people write it.
func batchCode(s string) (string, error) {
	code, err := label.ParseBatchCode(s)
	if err != nil {
		return "", stock.Refuse("code", "", "%s", err)
	}
	return code.String(), nil
}

// vialCodes reads all of an operation's vials.
func vialCodes(given []string) ([]string, error) {
	codes := make([]string, len(given))
	for i, s := range given {
		var err error
		if codes[i], err = vialCode(s); err != nil {
			return nil, err
		}
	}
	return codes, nil
}
