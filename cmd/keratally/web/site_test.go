package web_test

import (
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/cmd/keratally/web"
	"keratally/registry"
	"keratally/registry/democlinic"
	"keratally/registry/intake"
	"keratally/registry/pgstore"
	"keratally/registry/pgtest"
)

var lastDay = registry.DateFromDays(20726) // 30 September 2026, of the invented clinic

const password = "a password of a test"

// site is the pages of an invented clinic, with an account for each role.
type site struct {
	*httptest.Server
	store *pgstore.Store
	web   *web.Server
}

func openSite(t *testing.T, eyes int) *site {
	t.Helper()
	store := pgstore.New(pgtest.New(t))
	if eyes > 0 {
		fill(t, store, eyes)
	}
	surgeons, err := store.Clinicians(t.Context())
	require.NoError(t, err)
	stored, err := web.HashPassword(t.Context(), password)
	require.NoError(t, err)
	for _, role := range web.Roles {
		a := pgstore.Account{Name: role, Role: role, Password: stored}
		if role == web.Surgeon && len(surgeons) > 0 {
			a.Clinician = surgeons[0].Code
		}
		_, err := store.AddAccount(t.Context(), a)
		require.NoError(t, err)
	}
	s, err := web.New(t.Context(), web.Config{Store: store, Today: func() registry.Date { return lastDay }, Program: "test", Demo: true, Log: slog.New(slog.NewTextHandler(io.Discard, nil))})
	require.NoError(t, err)
	server := httptest.NewServer(s.Handler())
	t.Cleanup(server.Close)
	return &site{server, store, s}
}

func fill(t *testing.T, store *pgstore.Store, eyes int) {
	t.Helper()
	sheets, err := democlinic.New(democlinic.Options{Eyes: eyes, Seed: 2026, Last: lastDay}).WriteFiles(t.TempDir())
	require.NoError(t, err)
	for _, one := range sheets {
		text, err := os.ReadFile(one.Mapping)
		require.NoError(t, err)
		mapping, err := intake.ParseMapping(text)
		require.NoError(t, err)
		f, err := os.Open(one.Path)
		require.NoError(t, err)
		info, err := f.Stat()
		require.NoError(t, err)
		book, err := intake.Read(f, info.Size(), filepath.Base(one.Path), mapping.File)
		require.NoError(t, err)
		_, err = intake.Take(t.Context(), store.NewIntake(), book, mapping, intake.Options{Today: lastDay, Person: "test", SHA256: one.Path})
		require.NoError(t, err)
		require.NoError(t, f.Close())
	}
}

// browser is a client that keeps cookies and does not follow redirections.
type browser struct {
	*http.Client
	site *site
}

func (s *site) browser(t *testing.T) *browser {
	t.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	return &browser{&http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}, s}
}

// as returns a browser that is signed in.
func (s *site) as(t *testing.T, name string) *browser {
	t.Helper()
	b := s.browser(t)
	code, _, _ := b.post(t, "/sign-in", url.Values{"name": {name}, "password": {password}})
	require.Equal(t, http.StatusSeeOther, code)
	return b
}

func (b *browser) ask(t *testing.T, method, path string, form url.Values) (int, string, http.Header) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, b.site.URL+path, strings.NewReader(form.Encode()))
	require.NoError(t, err)
	if method == http.MethodPost {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		req.Header.Set("Origin", b.site.URL)
	}
	resp, err := b.Do(req)
	require.NoError(t, err)
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return resp.StatusCode, string(body), resp.Header
}

func (b *browser) get(t *testing.T, path string) (int, string, http.Header) {
	t.Helper()
	return b.ask(t, http.MethodGet, path, nil)
}

func (b *browser) post(t *testing.T, path string, form url.Values) (int, string, http.Header) {
	t.Helper()
	return b.ask(t, http.MethodPost, path, form)
}
