package registry

import "errors"

// ErrNotFound is a record, or a definition, that is not there.
var ErrNotFound = errors.New("not found")

// RuleError is a value that a rule of the registry refuses, whoever wrote it.
type RuleError struct {
	Rule  string // the name of the rule: "visit_kmax_range"
	Words string // what would be right: "Kmax should be between 35 and 120 D"
}

// Error returns the rule in words.
func (e *RuleError) Error() string { return e.Words }
