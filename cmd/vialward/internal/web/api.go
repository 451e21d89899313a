package web

import "net/http"

// readingsPath takes what loggers send.
const readingsPath = "/api/v1/readings"

// api registers the routes of the JSON API.
func (s *Server) api(mux *http.ServeMux) {
	for _, r := range s.table() {
		mux.HandleFunc(r.method+" "+r.path, s.serve(r))
	}
	mux.HandleFunc("/api/", func(w http.ResponseWriter, r *http.Request) {
		tell(w, r, aboutBlank(http.StatusNotFound, "There is nothing at "+r.URL.Path+". The API is described at /api/v1/openapi.json."))
	})
}
