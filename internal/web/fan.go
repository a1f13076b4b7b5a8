package web

import (
	"net/http"
)

// Fan is the control of the virtual fan.
type Fan interface{}

func (s *Server) fanState(w http.ResponseWriter, r *http.Request, st *Station) {}
func (s *Server) fanAct(w http.ResponseWriter, r *http.Request, st *Station)   {}
