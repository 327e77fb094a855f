package web

import (
	"bytes"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"keratally/registry"
)

var functions = template.FuncMap{
	"long":   func(d registry.Date) string { return d.Long() },
	"moment": func(t time.Time) string { return t.Format("2 Jan 2006, 15:04") },
	"short":  func(s string) string { return s[:min(12, len(s))] },
	"eyeRef": eyeAddress,
	"count":  counted,
}

// pages holds every template with the frame around it.
var pages = parsePages()

func parsePages() map[string]*template.Template {
	names, err := files.ReadDir("templates")
	if err != nil {
		panic(err) // embedded
	}
	out := map[string]*template.Template{}
	for _, n := range names {
		if n.Name() != "frame.html" {
			out[n.Name()] = template.Must(template.New("frame.html").Funcs(functions).ParseFS(files, "templates/frame.html", "templates/"+n.Name()))
		}
	}
	return out
}

// frame is what stands around every page.
type frame struct {
	Title   string
	Who     *visitor
	Places  []place
	Demo    bool
	Content any
}

type place struct {
	Name, Href string
	Here       bool
}

// places lists the parts of the site that a role opens.
func placesOf(v *visitor, path string) []place {
	if v == nil {
		return nil
	}
	var out []place
	add := func(name, href string, roles ...string) {
		if len(roles) == 0 || slices.Contains(roles, v.Role) {
			out = append(out, place{name, href, path == href || href != "/" && strings.HasPrefix(path, href+"/")})
		}
	}
	add("Overview", "/")
	add("Eyes", "/eyes", DataEntry, Surgeon, Fellow, AuditLead)
	add("Reports", "/reports", Surgeon, Fellow, AuditLead)
	add("Recall", "/recall", DataEntry, AuditLead)
	add("Queries", "/queries", DataEntry, AuditLead)
	add("Accounts", "/accounts", Administrator)
	return out
}

// draw renders a page to memory first, so that nobody sees half of one.
func (s *Server) draw(w http.ResponseWriter, r *http.Request, v *visitor, code int, name, title string, content any) error {
	t, ok := pages[name]
	if !ok {
		return fmt.Errorf("template %s: not there", name)
	}
	var b bytes.Buffer
	err := t.Execute(&b, frame{Title: title, Who: v, Places: placesOf(v, r.URL.Path), Demo: s.Demo, Content: content})
	if err != nil {
		return fmt.Errorf("template %s: %w", name, err)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	_, err = b.WriteTo(w)
	return err
}

// eyeAddress returns the address of the page of an eye, named as reports name
// it: patient code and side.
func eyeAddress(key string) string {
	code, side, ok := cutLast(key, " ")
	if !ok {
		return ""
	}
	return "/eyes/" + url.PathEscape(code) + "/" + url.PathEscape(side)
}

func cutLast(s, sep string) (before, after string, ok bool) {
	i := strings.LastIndex(s, sep)
	if i < 0 {
		return "", "", false
	}
	return s[:i], s[i+len(sep):], true
}

// counted returns "1 eye", "2 eyes".
func counted(n int, one string) string {
	switch {
	case n == 1:
		return "1 " + one
	case strings.HasSuffix(one, "y"):
		return fmt.Sprintf("%d %sies", n, strings.TrimSuffix(one, "y"))
	}
	return fmt.Sprintf("%d %ss", n, one)
}
