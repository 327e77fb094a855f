package web_test

import (
	"context"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"keratally/cmd/keratally/web"
)

// tab is a page of a real browser that keeps what went wrong in it.
type tab struct {
	ctx    context.Context
	site   *site
	mu     sync.Mutex
	faults []string
	asked  int // requests heard of, so that silence is not taken for quiet
}

// openTab starts a browser; a machine without one skips the test with the
// reason, and fails it where everything is installed.
func openTab(t *testing.T, s *site) *tab {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("no chromium on PATH: the pages should be tried in a browser")
		}
		t.Skip("no chromium on PATH: install it to try the pages in a browser")
	}
	b := &tab{site: s}
	options := []chromedp.ExecAllocatorOption{chromedp.ExecPath(path), chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir())}
	for _, flag := range []string{"disable-quic", "no-first-run", "disable-background-networking", "disable-component-update", "disable-sync"} {
		options = append(options, chromedp.Flag(flag, true))
	}
	ctx, cancel := chromedp.NewContext(t.Context(), chromedp.WithAllocatorOptions(options...), chromedp.WithListener(b.heard))
	t.Cleanup(cancel)
	b.ctx = ctx
	require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(1280, 900), enable()))
	return b
}

func enable() chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		if _, err := cdp.Call(ctx, t, network.Enable, network.EnableParams{}); err != nil {
			return err
		}
		_, err := cdp.Call(ctx, t, log.Enable, cdp.Empty{})
		return err
	})
}

// heard keeps errors of the console and requests to other hosts.
func (b *tab) heard(event any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch e := event.(type) {
	case *log.EventEntryAdded:
		if e.Entry.Level == log.EntryLevelError {
			b.faults = append(b.faults, "console: "+e.Entry.Text+" "+fmt.Sprint(e.Entry.URL))
		}
	case *network.EventRequestWillBeSent:
		b.asked++
		if u, err := url.Parse(e.Request.URL); err == nil && u.Scheme != "data" && u.Scheme != "about" && !strings.HasPrefix(e.Request.URL, b.site.URL) {
			b.faults = append(b.faults, "request to "+e.Request.URL)
		}
	}
}

func media(kind, scheme string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: kind, Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	})
}

// open goes to an address and checks what holds of every page: no scroll bar
// across, one first heading, a label for every field, and no fault.
func (b *tab) open(t *testing.T, path string) {
	t.Helper()
	require.NoError(t, chromedp.Do(b.ctx, chromedp.Navigate(b.site.URL+path)))
	b.check(t, path)
}

const unlabelled = `[...document.querySelectorAll("input:not([type=hidden]), select, textarea")].filter(e => !e.labels || e.labels.length === 0).map(e => e.name).join(",")`

func (b *tab) check(t *testing.T, path string) {
	t.Helper()
	wide, err := chromedp.Run(b.ctx, chromedp.Evaluate[int](`document.documentElement.scrollWidth - document.documentElement.clientWidth`))
	require.NoError(t, err)
	require.LessOrEqual(t, wide, 0, "%s is wider than 1280 px", path)
	inside, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](`[...document.querySelectorAll(".table-frame")].filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.querySelector("caption") && e.querySelector("caption").textContent).join(",")`))
	require.NoError(t, err)
	require.Empty(t, inside, "tables of %s that do not fit", path)
	headings, err := chromedp.Run(b.ctx, chromedp.Evaluate[int](`document.querySelectorAll("h1").length`))
	require.NoError(t, err)
	require.Equal(t, 1, headings, path)
	fields, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](unlabelled))
	require.NoError(t, err)
	require.Empty(t, fields, "fields of %s without a label", path)
	b.mu.Lock()
	asked, faults := b.asked, slices.Clone(b.faults)
	b.mu.Unlock() // before the browser is spoken to again: it waits for heard
	require.Positive(t, asked, "no request was heard of")
	require.Empty(t, faults, path)
	b.shoot(t, path)
}

// shoot keeps pictures of a page in light, dark and print where a folder is
// named, for a person to look at.
func (b *tab) shoot(t *testing.T, path string) {
	dir := os.Getenv("KERATALLY_PICTURES")
	if dir == "" {
		return
	}
	name := strings.Trim(strings.NewReplacer("/", "-", "?", "-", "&", "-", "=", "-").Replace(path), "-")
	for _, look := range []struct{ name, media, scheme string }{{"light", "screen", "light"}, {"dark", "screen", "dark"}, {"print", "print", "light"}} {
		require.NoError(t, chromedp.Do(b.ctx, media(look.media, look.scheme)))
		picture, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(dir, t.Name()[strings.LastIndexByte(t.Name(), '/')+1:]+"-"+name+"-"+look.name+".png"), picture, 0o644))
	}
	require.NoError(t, chromedp.Do(b.ctx, media("", "light")))
}

// signIn fills the form in with the keyboard alone.
func (b *tab) signIn(t *testing.T, name string) {
	t.Helper()
	b.open(t, "/sign-in")
	_, err := chromedp.RunResponse(b.ctx, chromedp.SendKeys(chromedp.CSS("#name"), name), chromedp.SendKeys(chromedp.CSS("#password"), password+"\n"))
	require.NoError(t, err)
	b.check(t, "/")
}

func (b *tab) signOut(t *testing.T) {
	t.Helper()
	_, err := chromedp.RunResponse(b.ctx, chromedp.Click(chromedp.CSS(".who button")))
	require.NoError(t, err)
}

func (b *tab) click(t *testing.T, css, path string) {
	t.Helper()
	_, err := chromedp.RunResponse(b.ctx, chromedp.Click(chromedp.CSS(css)))
	require.NoError(t, err, css)
	b.check(t, path)
}

func (b *tab) text(t *testing.T, css string) string {
	t.Helper()
	s, err := chromedp.Run(b.ctx, chromedp.TextContent(chromedp.CSS(css)))
	require.NoError(t, err)
	return s
}

// Each role's way from signing in to a result.
func TestRolesInABrowser(t *testing.T) {
	s := openSite(t, 30)
	b := openTab(t, s)

	t.Run("data-entry", func(t *testing.T) {
		b.signIn(t, web.DataEntry)
		b.open(t, "/recall")
		b.open(t, "/queries")
		b.click(t, "tbody a", "/eye-of-a-query")
		require.Contains(t, b.text(t, "h1"), " O")
		b.signOut(t)
	})
	t.Run("surgeon", func(t *testing.T) {
		b.signIn(t, web.Surgeon)
		b.open(t, "/eyes?sort=treated")
		b.click(t, "tbody a", "/own-eye")
		require.Contains(t, b.text(t, ".eye.asked h2"), "eye")
		b.open(t, "/reports")
		b.click(t, "main form button", "/reports/own")
		b.waitForReport(t)
		b.signOut(t)
	})
	t.Run("fellow", func(t *testing.T) {
		b.signIn(t, web.Fellow)
		b.open(t, "/eyes?state=progressed")
		b.open(t, "/eyes")
		b.click(t, "thead th:nth-child(6) a", "/eyes-sorted")
		require.Contains(t, b.text(t, `th[aria-sort="ascending"]`), "Kmax")
		b.signOut(t)
	})
	t.Run("audit-lead", func(t *testing.T) {
		b.signIn(t, web.AuditLead)
		b.click(t, ".facts li:nth-child(3) a", "/overdue-from-overview")
		b.open(t, "/reports")
		b.click(t, "main form button", "/reports/audit")
		b.waitForReport(t)
		b.signOut(t)
	})
	t.Run("administrator", func(t *testing.T) {
		b.signIn(t, web.Administrator)
		b.open(t, "/account")
		b.open(t, "/accounts")
		require.NoError(t, chromedp.Do(b.ctx, chromedp.SendKeys(chromedp.CSS("#name"), "new.person")))
		b.click(t, ".filter button", "/accounts-added")
		require.Contains(t, b.text(t, ".told"), "The password of new.person is")
		b.signOut(t)
	})
}

func (b *tab) waitForReport(t *testing.T) {
	t.Helper()
	deadline := time.Now().Add(2 * time.Minute)
	for {
		ready, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](`!!document.querySelector(".contents")`))
		if err == nil && ready {
			break
		}
		require.True(t, time.Now().Before(deadline), "the report should be ready")
		time.Sleep(300 * time.Millisecond)
	}
	b.check(t, "/report-ready")
}

// Without an eye every page says what will appear there.
func TestEmptyRegistryInABrowser(t *testing.T) {
	s := openSite(t, 0)
	b := openTab(t, s)
	b.signIn(t, web.AuditLead)
	for _, path := range []string{"/", "/eyes", "/reports", "/recall", "/queries"} {
		b.open(t, path)
		require.NotEmpty(t, b.text(t, ".empty"), path)
	}
}
