package web

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"keratally/registry"
	"keratally/registry/pgstore"
)

// visitor is who is asking.
type visitor struct {
	pgstore.Account
	session pgstore.Session
}

// mayRead reports whether the visitor may read the eyes that a clinician
// treated: a surgeon reads own eyes, the other roles all.
func (v *visitor) mayRead(clinician string) bool {
	return v.Role != Surgeon || v.Clinician != "" && v.Clinician == clinician
}

func (s *Server) cookieName() string {
	if s.Secure {
		return "__Host-keratally"
	}
	return "keratally"
}

func (s *Server) setCookie(w http.ResponseWriter, value string, age int) {
	http.SetCookie(w, &http.Cookie{Name: s.cookieName(), Value: value, Path: "/", MaxAge: age, HttpOnly: true, Secure: s.Secure, SameSite: http.SameSiteLaxMode})
}

// tokenOf returns what is stored of the token that the browser sent.
func (s *Server) tokenOf(r *http.Request) []byte {
	c, err := r.Cookie(s.cookieName())
	if err != nil {
		return nil
	}
	raw, err := base64.RawURLEncoding.DecodeString(c.Value)
	if err != nil || len(raw) != 32 {
		return nil
	}
	sum := sha256.Sum256(raw)
	return sum[:]
}

// visitorOf returns who is signed in, nil for nobody.
func (s *Server) visitorOf(r *http.Request) (*visitor, error) {
	token := s.tokenOf(r)
	if token == nil {
		return nil, nil
	}
	now := time.Now()
	account, session, err := s.Store.SessionAccount(r.Context(), token, now.Add(-wholeLimit), now.Add(-idleLimit))
	if errors.Is(err, registry.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if now.Sub(session.Seen) > seenEvery {
		if err := s.Store.SessionSeen(r.Context(), token, now); err != nil {
			return nil, err
		}
	}
	return &visitor{account, session}, nil
}

// begin enters a session under a new token, whatever the browser held before.
func (s *Server) begin(w http.ResponseWriter, r *http.Request, account registry.ID) error {
	raw := make([]byte, 32)
	rand.Read(raw) // never fails: it aborts the program instead
	sum := sha256.Sum256(raw)
	if old := s.tokenOf(r); old != nil {
		if err := s.Store.EndSession(r.Context(), old); err != nil {
			return err
		}
	}
	agent := strings.ToValidUTF8(r.UserAgent(), "")
	if err := s.Store.BeginSession(r.Context(), account, sum[:], agent[:min(len(agent), 200)], time.Now()); err != nil {
		return err
	}
	s.setCookie(w, base64.RawURLEncoding.EncodeToString(raw), int(wholeLimit.Seconds()))
	return nil
}

// signInPage shows the form.
func (s *Server) signInPage(w http.ResponseWriter, r *http.Request, v *visitor) error {
	return s.draw(w, r, v, http.StatusOK, "sign-in.html", "Sign in", signInForm{Next: within(r.URL.Query().Get("next"))})
}

type signInForm struct{ Name, Next, Words string }

// within returns an address of this site, or its first page: nobody is sent
// elsewhere after signing in.
func within(path string) string {
	if !strings.HasPrefix(path, "/") || strings.HasPrefix(path, "//") || strings.ContainsAny(path, "\\\r\n\t") {
		return "/"
	}
	return path
}

const refusedWords = "The name or the password is not right, or the account is locked for a while. An administrator can release it or set a new password."

// signIn opens a session. A wrong name, a wrong password and a locked account
// are answered alike.
func (s *Server) signIn(w http.ResponseWriter, r *http.Request, v *visitor) error {
	if err := r.ParseForm(); err != nil {
		return &formError{"The form could not be read: fill it in again."}
	}
	form := signInForm{Name: strings.ToLower(strings.TrimSpace(r.PostForm.Get("name"))), Next: within(r.PostForm.Get("next"))}
	address, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		address = r.RemoteAddr
	}
	if len(form.Name) > largestName || strings.ContainsRune(form.Name, 0) {
		form.Name = ""
	}
	if !s.throttle.allow("address "+address) || !s.throttle.allow("name "+form.Name) {
		form.Words = "Too many tries in a short time: wait a minute, then try again."
		w.Header().Set("Retry-After", "60")
		return s.draw(w, r, nil, http.StatusTooManyRequests, "sign-in.html", "Sign in", form)
	}
	account, outcome, err := s.verify(r, form.Name, r.PostForm.Get("password"))
	if err != nil {
		return err
	}
	if err := s.Store.NoteSignIn(r.Context(), form.Name, address, outcome); err != nil {
		return err
	}
	if outcome != "signed in" {
		form.Words = refusedWords
		return s.draw(w, r, nil, http.StatusUnauthorized, "sign-in.html", "Sign in", form)
	}
	if err := s.begin(w, r, account.ID); err != nil {
		return err
	}
	http.Redirect(w, r, form.Next, http.StatusSeeOther)
	return nil
}

func (s *Server) verify(r *http.Request, name, password string) (pgstore.Account, string, error) {
	account, err := s.Store.AccountNamed(r.Context(), name)
	known := err == nil
	if err != nil && !errors.Is(err, registry.ErrNotFound) {
		return account, "", err
	}
	stored := nobody
	if known {
		stored = account.Password
	}
	if len(password) > 4*longestPassword {
		password = ""
	}
	right, err := verifyPassword(r.Context(), stored, password)
	switch {
	case err != nil:
		return account, "", err
	case known && time.Now().Before(account.LockedUntil):
		return account, "locked", nil
	case known && right && !account.Closed:
		return account, "signed in", nil
	case known && !right:
		return account, "refused", s.Store.SignInFailed(r.Context(), account.ID, mostFailed, lockedFor)
	}
	return account, "refused", nil
}

// signOut ends the session.
func (s *Server) signOut(w http.ResponseWriter, r *http.Request, v *visitor) error {
	if err := s.Store.EndSession(r.Context(), v.session.Token); err != nil {
		return err
	}
	s.setCookie(w, "", -1)
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
	return nil
}

// throttle bounds how often each address and each name tries to sign in.
type throttle struct {
	mu    sync.Mutex
	every rate.Limit
	burst int
	of    map[string]*rate.Limiter
}

func newThrottle(every rate.Limit, burst int) throttle {
	return throttle{every: every, burst: burst, of: map[string]*rate.Limiter{}}
}

func (t *throttle) allow(key string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	l, ok := t.of[key]
	if !ok {
		if len(t.of) >= 10000 { // forget those that are full again
			for k, old := range t.of {
				if old.Tokens() >= float64(t.burst) {
					delete(t.of, k)
				}
			}
		}
		l = rate.NewLimiter(t.every, t.burst)
		t.of[key] = l
	}
	return l.Allow()
}
