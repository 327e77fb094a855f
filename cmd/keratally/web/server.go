// Package web is what a person clicks: pages rendered on the server, for
// signing in, watching and reading. They need no script, are drawn whole in
// memory before anything is sent, and ask no other host for anything.
package web

import (
	"context"
	"embed"
	"io/fs"
	"log/slog"
	"net/http"
	"time"

	"golang.org/x/time/rate"

	"keratally/registry"
	"keratally/registry/pgstore"
)

//go:embed templates static
var files embed.FS

// Config is what the pages work with.
type Config struct {
	Store   *pgstore.Store
	Today   func() registry.Date // the day to which records are read
	Program string               // version
	Secure  bool                 // browsers reach the pages by TLS only
	Demo    bool                 // the clinic is invented: said on every page
	Log     *slog.Logger
}

// Server answers the pages.
type Server struct {
	Config
	held     holder
	throttle throttle
	reports  chan struct{} // one report is made at a time
	working  context.Context
}

// New returns the pages of a registry. What it does in the background, making
// reports, ends with ctx.
func New(ctx context.Context, c Config) (*Server, error) {
	if err := c.Store.CutOffReports(ctx); err != nil {
		return nil, err
	}
	return &Server{Config: c, throttle: newThrottle(rate.Every(6*time.Second), 10), reports: make(chan struct{}, 1), working: ctx}, nil
}

// Warm reads the registry before the first page asks for it.
func (s *Server) Warm(ctx context.Context) error {
	_, err := s.current(ctx)
	return err
}

// Limits of a request.
const (
	mostBody    = 1 << 20 // no page but an upload sends as much
	pageTime    = 30 * time.Second
	idleLimit   = 30 * time.Minute // of a session that is not used
	wholeLimit  = 12 * time.Hour   // of a session that is
	mostFailed  = 8                // sign-ins in a row, then the account is locked
	lockedFor   = 15 * time.Minute
	seenEvery   = time.Minute
	largestName = 64
)

// Handler returns everything that the server answers.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	static, err := fs.Sub(files, "static")
	if err != nil {
		panic(err) // embedded
	}
	mux.Handle("GET /static/", http.StripPrefix("/static/", cached(http.FileServerFS(static))))
	for _, r := range s.routes() {
		mux.Handle(r.pattern, s.answer(r))
	}
	mux.Handle("/", s.answer(route{open: true, do: func(http.ResponseWriter, *http.Request, *visitor) error { return registry.ErrNotFound }}))
	return s.guarded(http.NewCrossOriginProtection().Handler(mux))
}

func cached(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "public, max-age=300")
		next.ServeHTTP(w, r)
	})
}

// guarded sets what every answer carries and bounds what every request may
// take: size, time, and a fault of ours that would end the program.
func (s *Server) guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
		h.Set("Cache-Control", "no-store")
		if s.Secure {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		r.Body = http.MaxBytesReader(w, r.Body, mostBody)
		ctx, cancel := context.WithTimeout(r.Context(), pageTime)
		defer cancel()
		defer func() {
			if fault := recover(); fault != nil {
				s.Log.Error("page", "path", r.URL.Path, "fault", fault)
				http.Error(w, "The page could not be made. The fault was written down for the administrator.", http.StatusInternalServerError)
			}
		}()
		next.ServeHTTP(w, r.WithContext(ctx))
	})
}
