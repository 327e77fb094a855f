package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"

	"keratally/registry"
)

// The roles.
const (
	DataEntry     = "data-entry"
	Surgeon       = "surgeon"
	Fellow        = "fellow"
	AuditLead     = "audit-lead"
	Administrator = "administrator"
)

// Roles lists every role.
var Roles = []string{DataEntry, Surgeon, Fellow, AuditLead, Administrator}

// route is one address, who may open it, and what it does.
type route struct {
	pattern string
	open    bool     // for everybody, signed in or not
	roles   []string // that may open it
	do      func(http.ResponseWriter, *http.Request, *visitor) error
}

// routes is the whole list; testdata/access.toml says the same independently.
func (s *Server) routes() []route {
	var (
		all     = Roles
		readers = []string{DataEntry, Surgeon, Fellow, AuditLead}
		makers  = []string{Surgeon, Fellow, AuditLead}
		lists   = []string{DataEntry, AuditLead}
		admin   = []string{Administrator}
	)
	return []route{
		{pattern: "GET /health", open: true, do: s.health},
		{pattern: "GET /sign-in", open: true, do: s.signInPage},
		{pattern: "POST /sign-in", open: true, do: s.signIn},
		{pattern: "POST /sign-out", roles: all, do: s.signOut},
		{pattern: "GET /{$}", roles: all, do: s.overview},
		{pattern: "GET /eyes", roles: readers, do: s.find},
		{pattern: "GET /eyes/{patient}/{side}", roles: readers, do: s.eye},
		{pattern: "GET /reports", roles: makers, do: s.reportList},
		{pattern: "POST /reports", roles: makers, do: s.reportAsk},
		{pattern: "GET /reports/{id}", roles: makers, do: s.report},
		{pattern: "GET /reports/{id}/workbook", roles: makers, do: s.reportWorkbook},
		{pattern: "GET /recall", roles: lists, do: s.recall},
		{pattern: "GET /queries", roles: lists, do: s.queries},
		{pattern: "GET /account", roles: all, do: s.account},
		{pattern: "POST /account/password", roles: all, do: s.accountPassword},
		{pattern: "POST /account/sessions", roles: all, do: s.accountSessions},
		{pattern: "GET /accounts", roles: admin, do: s.accounts},
		{pattern: "POST /accounts", roles: admin, do: s.accountsAdd},
		{pattern: "POST /accounts/{name}/{act}", roles: admin, do: s.accountsChange},
	}
}

// answer turns one route into a handler: who is asking, whether the role may,
// and errors into pages.
func (s *Server) answer(route route) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v, err := s.visitorOf(r)
		if err == nil {
			switch {
			case route.open:
				err = route.do(w, r, v)
			case v == nil:
				s.toSignIn(w, r)
				return
			case !slices.Contains(route.roles, v.Role):
				err = errForbidden
			default:
				err = route.do(w, r, v)
			}
		}
		if err != nil {
			s.fault(w, r, v, err)
		}
	})
}

func (s *Server) toSignIn(w http.ResponseWriter, r *http.Request) {
	target := "/sign-in"
	if r.Method == http.MethodGet && r.URL.Path != "/" {
		target += "?next=" + url.QueryEscape(r.URL.RequestURI())
	}
	http.Redirect(w, r, target, http.StatusSeeOther)
}

var errForbidden = errors.New("this page is not part of your role")

// formError is something in a form or an address that a person can put right.
type formError struct{ Words string }

func (e *formError) Error() string { return e.Words }

// fault answers with the page of an error.
func (s *Server) fault(w http.ResponseWriter, r *http.Request, v *visitor, err error) {
	var form *formError
	var large *http.MaxBytesError
	page := faultPage{Code: http.StatusInternalServerError, Title: "The page could not be made", Words: "The fault was written down for the administrator. Nothing that was stored has changed."}
	switch {
	case errors.Is(err, errForbidden):
		page = faultPage{http.StatusForbidden, "Not part of your role", "Your role does not open this page. The try was written down. An administrator can say which role does."}
		if note := s.Store.NoteRefusal(r.Context(), v.ID, r.Method, r.URL.Path); note != nil {
			s.Log.Error("refusal not written down", "error", note)
		}
	case errors.Is(err, registry.ErrNotFound):
		page = faultPage{http.StatusNotFound, "Nothing is here", "No page or record has this address. It may have been typed wrongly, or the record is not in the registry up to this day."}
	case errors.As(err, &form):
		page = faultPage{http.StatusUnprocessableEntity, "Something to put right", form.Words}
	case errors.As(err, &large):
		page = faultPage{http.StatusRequestEntityTooLarge, "Too large", "What was sent is larger than this page takes."}
	default:
		s.Log.Error("page", "path", r.URL.Path, "error", err)
	}
	if err := s.draw(w, r, v, page.Code, "fault.html", page.Title, page); err != nil {
		s.Log.Error("page of an error", "error", err)
		http.Error(w, page.Title, page.Code)
	}
}

type faultPage struct {
	Code         int
	Title, Words string
}

// health answers whether the database does.
func (s *Server) health(w http.ResponseWriter, r *http.Request, _ *visitor) error {
	if _, err := s.Store.Mark(r.Context()); err != nil {
		http.Error(w, "the database does not answer", http.StatusServiceUnavailable)
		return nil
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, err := w.Write([]byte("in order\n"))
	return err
}
