package web

import "net/http"

// pages registers the pages for people.
func (s *Server) pages(*http.ServeMux) {}
