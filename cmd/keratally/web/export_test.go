package web

// Patterns returns every address of the pages.
func (s *Server) Patterns() []string {
	var out []string
	for _, r := range s.routes() {
		out = append(out, r.pattern)
	}
	return out
}

var (
	Within         = within
	VerifyPassword = verifyPassword
)
