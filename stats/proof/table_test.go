package proof

import "testing"

func writeMethods(t *testing.T, header string, found map[string]*tally) { t.Helper() }
