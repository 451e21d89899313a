package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"os"
	"slices"
	"strings"
	"time"
)

const (
	mediaJSON   = "application/json"
	mediaNDJSON = "application/x-ndjson"
	mediaCSV    = "text/csv"

	longestDocument = 1 << 20 // bytes of an operation's document: a thousand times the usual one
)

// medium is the body's media type, one of those taken, else a fault that says which are.
func medium(r *http.Request, taken ...string) (string, error) {
	media, parameters, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	list := strings.Join(taken, ", ")
	switch {
	case err != nil || !slices.Contains(taken, media):
		return "", wrong(http.StatusUnsupportedMediaType, "The body's Content-Type is %q; send one of: %s.", r.Header.Get("Content-Type"), list)
	case r.Header.Get("Content-Encoding") != "":
		return "", wrong(http.StatusUnsupportedMediaType, "The body is encoded as %q; send it as it is.", r.Header.Get("Content-Encoding"))
	}
	if set := parameters["charset"]; set != "" && !strings.EqualFold(set, "utf-8") && !strings.EqualFold(set, "us-ascii") {
		return "", wrong(http.StatusUnsupportedMediaType, "The body's charset is %q; send UTF-8.", set)
	}
	return media, nil
}

// received tells what went wrong with the sender from what went wrong here.
type received struct{ r io.Reader }

func (b received) Read(p []byte) (int, error) {
	n, err := b.r.Read(p)
	var tooLong *http.MaxBytesError
	switch {
	case err == nil, errors.Is(err, io.EOF), errors.As(err, &tooLong):
	case errors.Is(err, os.ErrDeadlineExceeded):
		err = wrong(http.StatusRequestTimeout, "The body came too slowly, and nothing of what was still missing was taken. Send it again.")
	default:
		err = wrong(http.StatusBadRequest, "The body ended before its end: %s. Send it again.", err)
	}
	return n, err
}

// decode reads the body as one JSON document of a type of ours: no field it does not know, none twice, nothing after.
func decode(w http.ResponseWriter, r *http.Request, document any) error {
	if _, err := medium(r, mediaJSON); err != nil {
		return err
	}
	text, err := io.ReadAll(received{http.MaxBytesReader(w, r.Body, longestDocument)})
	if err != nil {
		return err
	}
	if err := strict(text, document); err != nil {
		return &fault{problem: problem{Type: urn("not-the-document"), Title: "Not the document described", Status: http.StatusBadRequest}, say: sentence(err)}
	}
	return nil
}

func strict(text []byte, document any) error {
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(document); err != nil {
		return err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return errors.New("something follows the document")
	}
	if bytes.HasPrefix(bytes.TrimSpace(text), []byte("null")) {
		return errors.New("it is null; an object was expected")
	}
	return oneOfEach(json.NewDecoder(bytes.NewReader(text)))
}

// oneOfEach refuses an object with a field twice: which one was meant is anybody's guess.
func oneOfEach(d *json.Decoder) error {
	start, err := d.Token()
	if err != nil {
		return err
	}
	open, nested := start.(json.Delim)
	if !nested {
		return nil
	}
	seen := map[string]bool{}
	for d.More() {
		if open == '{' {
			key, err := d.Token()
			if err != nil {
				return err
			}
			name := strings.ToLower(fmt.Sprint(key)) // the decoder matches names so
			if seen[name] {
				return fmt.Errorf("field %q stands there twice", key)
			}
			seen[name] = true
		}
		if err := oneOfEach(d); err != nil {
			return err
		}
	}
	_, err = d.Token()
	return err
}

// sentence says what is wrong with a document and where, without the words of the decoder.
func sentence(err error) string {
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	var at *time.ParseError
	unknown, isUnknown := strings.CutPrefix(err.Error(), "json: unknown field ")
	switch {
	case errors.Is(err, io.EOF):
		return "The body is empty; send the JSON document that openapi.json describes."
	case errors.Is(err, io.ErrUnexpectedEOF):
		return "The JSON document ends in its middle; send it whole."
	case errors.As(err, &syntax):
		return fmt.Sprintf("This is not JSON, at byte %d: %s.", syntax.Offset, strings.TrimPrefix(syntax.Error(), "json: "))
	case errors.As(err, &kind) && kind.Field == "":
		return fmt.Sprintf("The document is a JSON %s; an object was expected.", kind.Value)
	case errors.As(err, &kind):
		return fmt.Sprintf("Field %q is a JSON %s, which is not what belongs there; openapi.json says what does.", kind.Field, kind.Value)
	case isUnknown:
		return fmt.Sprintf("There is no field %s here; correct its name or leave it out.", unknown)
	case errors.As(err, &at):
		return fmt.Sprintf("%q is no time with its offset; write it as RFC 3339 does, such as 2025-11-12T08:30:00-05:00.", strings.Trim(at.Value, `"`))
	case strings.Contains(err.Error(), "Time.UnmarshalJSON"):
		return "A time is not text in quotes; write it as RFC 3339 does, such as 2025-11-12T08:30:00-05:00."
	}
	return "The document is not as described: " + err.Error() + "."
}
