package measure

import "strings"

// Side is the eye of a person: OD the right, OS the left. Zero is "not
// recorded" and is never stored.
type Side int16

// The two sides.
const (
	Right Side = iota + 1
	Left
)

// String returns OD, OS, or "" when not recorded.
func (s Side) String() string {
	switch s {
	case Right:
		return "OD"
	case Left:
		return "OS"
	}
	return ""
}

// Fellow returns the other eye.
func (s Side) Fellow() Side { return 3 - s }

// ParseSide reads the usual ways of writing an eye: OD, RE, RA, R, right; OS, LE,
// LA, L, left, in any case. Codes such as 0 and 1 mean nothing by themselves: a
// mapping must translate them first.
func ParseSide(text string) (Side, error) {
	switch strings.ToUpper(strings.Trim(strings.TrimSpace(text), ".")) {
	case "OD", "O.D", "RE", "RA", "R", "RIGHT", "RIGHT EYE":
		return Right, nil
	case "OS", "O.S", "LE", "LA", "L", "LEFT", "LEFT EYE":
		return Left, nil
	}
	return 0, &FormatError{Got: text, Want: "OD (right) or OS (left)"}
}
