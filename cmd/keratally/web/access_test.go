package web_test

import (
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/pelletier/go-toml/v2"
	"github.com/stretchr/testify/require"

	"keratally/cmd/keratally/web"
	"keratally/registry"
)

// Every address is in the table, and answers each role as the table says:
// 403 and a note for the wrong role, the form to sign in for nobody.
func TestAccess(t *testing.T) {
	text, err := os.ReadFile("../../../testdata/access.toml")
	require.NoError(t, err)
	var table map[string][]string
	require.NoError(t, toml.Unmarshal(text, &table))
	s := openSite(t, 6)
	patterns := s.web.Patterns()
	require.Len(t, table, len(patterns))
	count := func() (n int) {
		require.NoError(t, s.store.Pool().QueryRow(t.Context(), "SELECT count(*) FROM access_refusal").Scan(&n))
		return n
	}
	for _, pattern := range patterns {
		allowed, ok := table[pattern]
		require.True(t, ok, "%s is not in the table", pattern)
		method, path, _ := strings.Cut(pattern, " ")
		path = strings.NewReplacer("{$}", "", "{patient}", "nobody", "{side}", "OD", "{id}", "0196a000-0000-7000-8000-000000000000", "{name}", "nobody", "{act}", "close").Replace(path)
		if slices.Contains(allowed, "signed out") {
			code, _, _ := s.browser(t).ask(t, method, path, nil)
			require.Contains(t, []int{200, 401}, code, pattern)
			continue
		}
		code, _, header := s.browser(t).ask(t, method, path, nil)
		require.Equal(t, http.StatusSeeOther, code, "%s, signed out", pattern)
		require.True(t, strings.HasPrefix(header.Get("Location"), "/sign-in"), pattern)
	}
	for _, role := range web.Roles {
		for _, pattern := range patterns {
			allowed := table[pattern]
			if slices.Contains(allowed, "signed out") || pattern == "POST /sign-out" || pattern == "POST /account/sessions" {
				continue // ending the session is tested by itself
			}
			method, path, _ := strings.Cut(pattern, " ")
			path = strings.NewReplacer("{$}", "", "{patient}", "nobody", "{side}", "OD", "{id}", "0196a000-0000-7000-8000-000000000000", "{name}", "nobody", "{act}", "close").Replace(path)
			before := count()
			code, body, _ := signedIn(t, s, role).ask(t, method, path, nil)
			if slices.Contains(allowed, role) {
				require.Contains(t, []int{200, 404, 422}, code, "%s as %s", pattern, role)
				require.Equal(t, before, count())
			} else {
				require.Equal(t, http.StatusForbidden, code, "%s as %s", pattern, role)
				require.Contains(t, body, "Not part of your role")
				require.Equal(t, before+1, count(), "a refusal is written down")
			}
		}
	}
}

var signedInAs = map[string]*browser{}

// signedIn keeps one browser a role, because signing in is throttled.
func signedIn(t *testing.T, s *site, role string) *browser {
	t.Helper()
	key := s.URL + role
	if signedInAs[key] == nil {
		signedInAs[key] = s.as(t, role)
	}
	return signedInAs[key]
}

// A surgeon reads own eyes and no other, by the list and by address.
func TestSurgeonReadsOwnEyes(t *testing.T) {
	s := openSite(t, 40)
	surgeons, err := s.store.Clinicians(t.Context())
	require.NoError(t, err)
	own, lead := s.as(t, web.Surgeon), s.as(t, web.AuditLead)
	own2 := eyesIn(t, own, "/eyes")
	all := eyesIn(t, lead, "/eyes")
	require.NotEmpty(t, own2)
	require.Less(t, len(own2), len(all))
	require.ElementsMatch(t, own2, eyesIn(t, lead, "/eyes?surgeon="+url.QueryEscape(surgeons[0].Code)))
	for _, href := range all {
		code, _, _ := own.get(t, href)
		if slices.Contains(own2, href) {
			require.Equal(t, http.StatusOK, code, href)
		} else {
			require.Equal(t, http.StatusForbidden, code, href)
		}
	}
}

func eyesIn(t *testing.T, b *browser, path string) (hrefs []string) {
	t.Helper()
	code, body, _ := b.get(t, path)
	require.Equal(t, http.StatusOK, code)
	for _, part := range strings.Split(body, `<td><a href="`)[1:] {
		href, _, _ := strings.Cut(part, `"`)
		hrefs = append(hrefs, href)
	}
	return hrefs
}

// Sessions end when signed out, everywhere at once, with a new password, and
// when unused for 30 minutes or 12 hours old.
func TestSessionsEnd(t *testing.T) {
	s := openSite(t, 0)
	reads := func(b *browser) bool { code, _, _ := b.get(t, "/"); return code == http.StatusOK }
	a, b := s.as(t, web.Fellow), s.as(t, web.Fellow)
	require.True(t, reads(a) && reads(b))
	code, _, _ := a.post(t, "/sign-out", nil)
	require.Equal(t, http.StatusSeeOther, code)
	require.False(t, reads(a))
	require.True(t, reads(b))
	c := s.as(t, web.Fellow)
	_, _, _ = b.post(t, "/account/sessions", nil)
	require.False(t, reads(b) || reads(c))

	d, e := s.as(t, web.Fellow), s.as(t, web.Fellow)
	const next = "another password of a test"
	code, _, _ = d.post(t, "/account/password", url.Values{"current": {"not this one at all"}, "new": {next}, "again": {next}})
	require.Equal(t, http.StatusUnprocessableEntity, code)
	code, _, _ = d.post(t, "/account/password", url.Values{"current": {password}, "new": {next}, "again": {next}})
	require.Equal(t, http.StatusSeeOther, code)
	require.True(t, reads(d), "the browser that changed it goes on")
	require.False(t, reads(e))

	for _, column := range []string{"seen_at = now() - interval '31 minutes'", "created_at = now() - interval '12 hours 1 second'"} {
		f := s.as(t, web.AuditLead)
		require.True(t, reads(f))
		_, err := s.store.Pool().Exec(t.Context(), "UPDATE session SET "+column)
		require.NoError(t, err)
		require.False(t, reads(f), column)
	}
}

// Eight wrong passwords lock an account; even the right one is then refused,
// until an administrator releases it.
func TestLockAndRelease(t *testing.T) {
	s := openSite(t, 0)
	b := s.browser(t)
	for range 8 {
		code, body, _ := b.post(t, "/sign-in", url.Values{"name": {"fellow"}, "password": {"wrong"}})
		require.Equal(t, http.StatusUnauthorized, code)
		require.Contains(t, body, "is not right, or the account is locked")
	}
	a, err := s.store.AccountNamed(t.Context(), "fellow")
	require.NoError(t, err)
	require.WithinDuration(t, time.Now().Add(15*time.Minute), a.LockedUntil, time.Minute)
	code, _, _ := b.post(t, "/sign-in", url.Values{"name": {"fellow"}, "password": {password}})
	require.Equal(t, http.StatusUnauthorized, code)
	require.NoError(t, s.store.ReleaseAccount(t.Context(), a.ID))
	code, _, _ = b.post(t, "/sign-in", url.Values{"name": {"fellow"}, "password": {password}})
	require.Equal(t, http.StatusSeeOther, code)
	code, _, _ = b.post(t, "/sign-in", url.Values{"name": {"fellow"}, "password": {password}})
	require.Equal(t, http.StatusTooManyRequests, code, "the eleventh try of one address in a moment")
}

// What a page sends keeps other sites out of it.
func TestHeadersAndOrigins(t *testing.T) {
	s := openSite(t, 0)
	b := s.as(t, web.Administrator)
	_, body, header := b.get(t, "/")
	for _, want := range []string{"default-src 'none'", "style-src 'self'", "frame-ancestors 'none'", "form-action 'self'"} {
		require.Contains(t, header.Get("Content-Security-Policy"), want)
	}
	require.Equal(t, "nosniff", header.Get("X-Content-Type-Options"))
	require.Equal(t, "no-store", header.Get("Cache-Control"))
	require.NotContains(t, body, "<script")
	require.NotContains(t, body, "style=")
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, s.URL+"/accounts", strings.NewReader("name=x&role=fellow"))
	require.NoError(t, err)
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Origin", "https://elsewhere.example")
	resp, err := b.Do(req)
	require.NoError(t, err)
	resp.Body.Close()
	require.Equal(t, http.StatusForbidden, resp.StatusCode)
	code, _, _ := b.post(t, "/accounts", url.Values{"name": {strings.Repeat("x", 2<<20)}})
	require.NotEqual(t, http.StatusOK, code)
	for _, bad := range []string{"//elsewhere.example", "https://elsewhere.example", `/\elsewhere`, "", "eyes"} {
		require.Equal(t, "/", web.Within(bad), bad)
	}
	require.Equal(t, "/eyes?state=due", web.Within("/eyes?state=due"))
}

// Text that a person or a sheet brings is text on the page.
func TestTextIsText(t *testing.T) {
	s := openSite(t, 3)
	b := s.as(t, web.AuditLead)
	_, body, _ := b.get(t, "/eyes?code="+url.QueryEscape(`"><script>alert(1)</script>`)+"&event="+url.QueryEscape("<img src=x>"))
	require.NotContains(t, body, "<script")
	require.NotContains(t, body, "<img")
	for _, path := range []string{"/eyes?from=yesterday", "/eyes?page=-1", "/eyes?state=well", "/eyes?from=2026-02-01&to=2026-01-01"} {
		code, _, _ := b.get(t, path)
		require.Equal(t, http.StatusUnprocessableEntity, code, path)
	}
	for _, path := range []string{"/nothing", "/eyes/nobody/OD", "/eyes/x/middle", "/reports/1", "/static/../server.go", "/static/%2e%2e/server.go"} {
		code, _, _ := b.get(t, path)
		require.Contains(t, []int{301, 307, 404}, code, path)
	}
}

func TestPasswords(t *testing.T) {
	ctx := t.Context()
	one, err := web.HashPassword(ctx, password)
	require.NoError(t, err)
	two, err := web.HashPassword(ctx, password)
	require.NoError(t, err)
	require.NotEqual(t, one, two, "salted")
	require.True(t, strings.HasPrefix(one, "$argon2id$v=19$m=19456,t=2,p=1$"))
	right, err := web.VerifyPassword(ctx, one, password)
	require.NoError(t, err)
	require.True(t, right)
	right, err = web.VerifyPassword(ctx, one, password+" ")
	require.NoError(t, err)
	require.False(t, right)
	_, err = web.VerifyPassword(ctx, "plain", "plain")
	require.Error(t, err)
	_, err = web.HashPassword(ctx, "eleven char")
	require.ErrorContains(t, err, "should have 12 to 200")
	require.Regexp(t, `^([a-z2-9]{5}-){3}[a-z2-9]{5}$`, web.NewPassword())
}

// A report goes on in the background, and is read and downloaded when ready.
func TestReport(t *testing.T) {
	s := openSite(t, 12)
	b := s.as(t, web.AuditLead)
	code, _, header := b.post(t, "/reports", url.Values{"from": {"2026-07-01"}, "to": {"2026-09-30"}})
	require.Equal(t, http.StatusSeeOther, code)
	at := header.Get("Location")
	require.Eventually(t, func() bool {
		_, body, _ := b.get(t, at)
		require.NotContains(t, body, "The report was not made")
		return strings.Contains(body, "Download the workbook")
	}, time.Minute, 100*time.Millisecond)
	_, body, _ := b.get(t, at)
	require.Contains(t, body, "Audit of corneal cross-linking")
	require.Contains(t, body, "<svg ")
	code, book, header := b.get(t, at+"/workbook")
	require.Equal(t, http.StatusOK, code)
	require.True(t, strings.HasPrefix(book, "PK"), "a workbook is a zip file")
	require.Equal(t, `attachment; filename="audit-2026-09-30.xlsx"`, header.Get("Content-Disposition"))
	code, _, _ = s.as(t, web.Surgeon).get(t, at)
	require.Equal(t, http.StatusForbidden, code, "of another person")
	_, list, _ := b.get(t, "/reports")
	require.Contains(t, list, at+"/workbook")
	code, _, _ = b.post(t, "/reports", url.Values{"from": {"2026-07-01"}, "to": {registry.DateFromDays(20727).String()}})
	require.Equal(t, http.StatusUnprocessableEntity, code, "after the last day")
}
