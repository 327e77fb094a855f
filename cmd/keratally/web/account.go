package web

import (
	"encoding/hex"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"keratally/registry"
	"keratally/registry/pgstore"
)

type accountPage struct {
	Account  pgstore.Account
	Sessions []sessionRow
	Said     string
}

type sessionRow struct {
	pgstore.Session
	Here bool
}

// account shows the visitor's own account.
func (s *Server) account(w http.ResponseWriter, r *http.Request, v *visitor) error {
	now := time.Now()
	list, err := s.Store.OpenSessions(r.Context(), v.ID, now.Add(-wholeLimit), now.Add(-idleLimit))
	if err != nil {
		return err
	}
	page := accountPage{Account: v.Account}
	for _, x := range list {
		page.Sessions = append(page.Sessions, sessionRow{x, hex.EncodeToString(x.Token) == hex.EncodeToString(v.session.Token)})
	}
	return s.draw(w, r, v, http.StatusOK, "account.html", "Your account", page)
}

// accountPassword changes the visitor's own password, which ends every
// session but gives this browser a new one.
func (s *Server) accountPassword(w http.ResponseWriter, r *http.Request, v *visitor) error {
	if err := r.ParseForm(); err != nil {
		return &formError{"The form could not be read: fill it in again."}
	}
	if !s.throttle.allow("name " + v.Name) {
		return &formError{"Too many tries in a short time: wait a minute, then try again."}
	}
	account, err := s.Store.AccountNamed(r.Context(), v.Name)
	if err != nil {
		return err
	}
	right, err := verifyPassword(r.Context(), account.Password, r.PostForm.Get("current"))
	if err != nil {
		return err
	}
	if !right {
		return &formError{"The current password is not right: go back and type it again."}
	}
	if r.PostForm.Get("new") != r.PostForm.Get("again") {
		return &formError{"The new password was typed in two ways: go back and type the same twice."}
	}
	if err := s.setPassword(r, v.ID, r.PostForm.Get("new")); err != nil {
		return err
	}
	if err := s.begin(w, r, v.ID); err != nil {
		return err
	}
	http.Redirect(w, r, "/account", http.StatusSeeOther)
	return nil
}

func (s *Server) setPassword(r *http.Request, id registry.ID, password string) error {
	if err := CheckPassword(password); err != nil {
		return &formError{err.Error()}
	}
	stored, err := HashPassword(r.Context(), password)
	if err != nil {
		return err
	}
	return s.Store.SetPassword(r.Context(), id, stored)
}

// accountSessions ends every session of the visitor, this one too.
func (s *Server) accountSessions(w http.ResponseWriter, r *http.Request, v *visitor) error {
	if err := s.Store.EndSessions(r.Context(), v.ID); err != nil {
		return err
	}
	s.setCookie(w, "", -1)
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
	return nil
}

type accountsPage struct {
	Accounts []pgstore.Account
	Roles    []string
	Now      time.Time
	Password string // of Named, shown once
	Named    string
}

// accounts lists every account.
func (s *Server) accounts(w http.ResponseWriter, r *http.Request, v *visitor) error {
	return s.showAccounts(w, r, v, "", "")
}

func (s *Server) showAccounts(w http.ResponseWriter, r *http.Request, v *visitor, named, password string) error {
	list, err := s.Store.Accounts(r.Context())
	if err != nil {
		return err
	}
	return s.draw(w, r, v, http.StatusOK, "accounts.html", "Accounts", accountsPage{list, Roles, time.Now(), password, named})
}

// accountsAdd enters an account with a drawn password, shown once.
func (s *Server) accountsAdd(w http.ResponseWriter, r *http.Request, v *visitor) error {
	if err := r.ParseForm(); err != nil {
		return &formError{"The form could not be read: fill it in again."}
	}
	a := pgstore.Account{Name: strings.ToLower(strings.TrimSpace(r.PostForm.Get("name"))), Role: r.PostForm.Get("role"), Clinician: strings.TrimSpace(r.PostForm.Get("clinician"))}
	if !slices.Contains(Roles, a.Role) {
		return &formError{"The role should be one of " + strings.Join(Roles, ", ") + "."}
	}
	password := NewPassword()
	var err error
	if a.Password, err = HashPassword(r.Context(), password); err != nil {
		return err
	}
	var rule *registry.RuleError
	if _, err := s.Store.AddAccount(r.Context(), a); errors.As(err, &rule) {
		return &formError{rule.Words}
	} else if err != nil {
		return err
	}
	return s.showAccounts(w, r, v, a.Name, password)
}

// accountsChange closes, opens or releases an account, or draws a new password.
func (s *Server) accountsChange(w http.ResponseWriter, r *http.Request, v *visitor) error {
	a, err := s.Store.AccountNamed(r.Context(), r.PathValue("name"))
	if err != nil {
		return err
	}
	switch r.PathValue("act") {
	case "close":
		if a.ID == v.ID {
			return &formError{"This is your own account: another administrator can close it."}
		}
		err = s.Store.CloseAccount(r.Context(), a.ID, true)
	case "open":
		err = s.Store.CloseAccount(r.Context(), a.ID, false)
	case "release":
		err = s.Store.ReleaseAccount(r.Context(), a.ID)
	case "password":
		password := NewPassword()
		if err := s.setPassword(r, a.ID, password); err != nil {
			return err
		}
		if a.ID != v.ID {
			return s.showAccounts(w, r, v, a.Name, password)
		}
		if err := s.begin(w, r, v.ID); err != nil {
			return err
		}
		return s.showAccounts(w, r, v, a.Name, password)
	default:
		return registry.ErrNotFound
	}
	if err != nil {
		return err
	}
	http.Redirect(w, r, "/accounts", http.StatusSeeOther)
	return nil
}
