package stats

import (
	"errors"
	"fmt"
)

// Reasons why a number does not exist. Each is a sentence that a clinician
// understands; errors.Is finds them through any wrapping.
var (
	ErrNoData       = errors.New("there are no observations")
	ErrTooFew       = errors.New("there are too few observations")
	ErrNoVariance   = errors.New("all values are equal, so there is no variation to test against")
	ErrAllZero      = errors.New("all differences are zero")
	ErrNoEvents     = errors.New("no event was observed")
	ErrNotConverged = errors.New("the fit did not converge")
	ErrSeparation   = errors.New("a group or value predicts the outcome perfectly, so the ratio has no finite estimate")
	ErrCollinear    = errors.New("the explanatory variables determine one another, so their effects cannot be told apart")
	ErrOneGroup     = errors.New("there is only one group")
	ErrNotFinite    = errors.New("a value is not a finite number")
	ErrLengths      = errors.New("the columns have different lengths")
)

// TooFewError says how many observations a method needs and how many it got.
// It is ErrTooFew, or ErrNoData when Got is 0.
type TooFewError struct {
	Method    string
	Got, Need int
}

// Error returns, for example, "paired t test: needs at least 2 observations, got 1".
func (e *TooFewError) Error() string {
	return fmt.Sprintf("%s: needs at least %d observations, got %d", e.Method, e.Need, e.Got)
}

// Is reports whether target is ErrTooFew, or ErrNoData for an empty sample.
func (e *TooFewError) Is(target error) bool {
	return target == ErrTooFew || (target == ErrNoData && e.Got == 0)
}

// ArgumentError is an argument outside what the method is defined for.
type ArgumentError struct {
	Name string
	Got  any
	Want string
}

// Error returns, for example, "confidence level 1.2: should be between 0 and 1, such as 0.95".
func (e *ArgumentError) Error() string {
	return fmt.Sprintf("%s %v: should be %s", e.Name, e.Got, e.Want)
}
