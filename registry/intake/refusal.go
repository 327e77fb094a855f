package intake

import (
	"fmt"
	"strings"
)

// Refusal is one cell, or one row, that was not taken, and why. It holds what
// the sheet says, so it is for the person whose sheet it is and for no log.
type Refusal struct {
	Sheet   string `json:"sheet"`
	Row     int    `json:"row"`
	Column  string `json:"column,omitempty"` // letters; "" for the row as a whole
	Heading string `json:"heading,omitempty"`
	Field   string `json:"field,omitempty"`
	Value   string `json:"value,omitempty"`
	Reason  string `json:"reason"`
}

// String returns, for example, `sheet Refraction, cell F17 (sphere): "-2,5O"
// is not a number of dioptres: write it as -2.50`.
func (r Refusal) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "sheet %s, ", r.Sheet)
	if r.Column == "" {
		fmt.Fprintf(&b, "row %d: ", r.Row)
	} else {
		fmt.Fprintf(&b, "cell %s%d", r.Column, r.Row)
		if r.Heading != "" {
			fmt.Fprintf(&b, " (%s)", r.Heading)
		}
		b.WriteString(": ")
	}
	if r.Value != "" {
		fmt.Fprintf(&b, "%q ", r.Value)
	}
	return b.String() + r.Reason
}
