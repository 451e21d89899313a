package web

import (
	"fmt"
	"net/http"
	"strings"
)

// hardened sets the headers that keep a browser from doing what no page of ours asks for. Scripts and styles come as
// files of our own; nothing stands inline, nothing is framed, nothing is guessed.
func hardened(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		next.ServeHTTP(w, r)
	})
}

// sameOrigin refuses what a page of another origin sends to ours with the visitor's browser. The API carries a token in
// a header no other origin can set, and is left alone.
func (s *Server) sameOrigin(next http.Handler) http.Handler {
	guard := http.NewCrossOriginProtection()
	if s.PublicName != "" { // also where a proxy asks us by another name
		if err := guard.AddTrustedOrigin("https://" + s.PublicName); err != nil {
			panic("web: the public name was checked: " + err.Error())
		}
	}
	guard.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		tell(w, r, aboutBlank(http.StatusForbidden, "This came from a page that is not vialward's, and was not done. Open the page here and do it again."))
	}))
	pages := guard.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasPrefix(r.URL.Path, "/api/") {
			next.ServeHTTP(w, r)
			return
		}
		pages.ServeHTTP(w, r)
	})
}

// bounded refuses a body that is announced as longer than the longest one that is taken, and cuts off one that turns out
// to be: reading on is an *http.MaxBytesError.
func (s *Server) bounded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.ContentLength > s.MaxBodyBytes {
			w.Header().Set("Connection", "close") // what follows is not read
			tell(w, r, aboutBlank(http.StatusRequestEntityTooLarge, tooLongSay(s.MaxBodyBytes)+" Nothing of it was read."))
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, s.MaxBodyBytes)
		next.ServeHTTP(w, r)
	})
}

func tooLongSay(limit int64) string {
	return fmt.Sprintf("The body is longer than %d bytes; send it in parts.", limit)
}
