package web

import (
	"bytes"
	"encoding/json"
	"net/http"
	"strings"
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
}

// urn names a kind of problem; it is never renamed.
func urn(kind string) string { return "urn:vialward:problem:" + strings.ReplaceAll(kind, "_", "-") }

// aboutBlank is a problem that its status says all of.
func aboutBlank(status int, detail string) problem {
	return problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail}
}

// forPrograms says whether whoever asked this path reads JSON rather than a page.
func forPrograms(r *http.Request) bool {
	return strings.HasPrefix(r.URL.Path, "/api/") || r.URL.Path == "/readyz"
}

// tell ends a request with a problem: a document for programs, its sentence for people.
func tell(w http.ResponseWriter, r *http.Request, p problem) {
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
