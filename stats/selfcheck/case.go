// Package selfcheck compares the statistical methods of the program with
// reference results: published and certified values, exact arithmetic, and
// other software. A folder of cases holds datasets/*.csv and expected/*.json;
// a set of public-domain and open cases is embedded.
//
// Every case ends as one of three: it agrees, it differs, or it is not
// covered. An unknown method, an argument that the method did not read, or a
// result that it did not give makes a case not covered; nothing is left out in
// silence.
package selfcheck

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"sort"
	"strings"
)

// ErrNotCovered marks a method, an argument or a result that the program does
// not have. A method returns an error that wraps it.
var ErrNotCovered = errors.New("not covered")

// NotCovered returns an error that wraps ErrNotCovered with the printf-style
// reason.
func NotCovered(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrNotCovered, fmt.Sprintf(format, args...))
}

// Case is one reference result: a data set, a method with its input, and what
// a correct program returns.
type Case struct {
	Family       string // name of the file that holds it, without .json
	Name         string
	Dataset      string // file under datasets/, empty if the input holds all data
	Method       string
	Call         string // how the reference was made, such as an R call
	Software     string
	Input        map[string]json.RawMessage
	Results      map[string]any // numbers are json.Number
	Tolerance    float64
	AbsTolerance float64 // 0 if the case has none
	Note         string
	Warnings     []string
}

type caseFile struct {
	Case         string                     `json:"case"`
	Dataset      *string                    `json:"dataset"`
	Method       string                     `json:"method"`
	Call         string                     `json:"call"`
	Software     string                     `json:"software"`
	Input        map[string]json.RawMessage `json:"input"`
	Results      map[string]any             `json:"results"`
	Tolerance    float64                    `json:"tolerance"`
	AbsTolerance float64                    `json:"abs_tolerance"`
	Note         string                     `json:"note"`
	Warnings     []string                   `json:"r_warnings"`
}

// readCases returns every case of expected/*.json under root, files in order
// of name and cases in order of the file.
func readCases(root fs.FS) ([]Case, error) {
	names, err := fs.Glob(root, "expected/*.json")
	if err != nil {
		return nil, err
	}
	if len(names) == 0 {
		return nil, errors.New("no expected/*.json: a folder of cases holds datasets/ and expected/")
	}
	sort.Strings(names)
	var cases []Case
	for _, name := range names {
		data, err := fs.ReadFile(root, name)
		if err != nil {
			return nil, err
		}
		family := strings.TrimSuffix(path.Base(name), ".json")
		decoder := json.NewDecoder(bytes.NewReader(data))
		decoder.UseNumber()
		var raw []caseFile
		if err := decoder.Decode(&raw); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		for _, r := range raw {
			c := Case{
				Family: family, Name: r.Case, Method: r.Method, Call: r.Call, Software: r.Software,
				Input: r.Input, Results: r.Results, Tolerance: r.Tolerance, AbsTolerance: r.AbsTolerance,
				Note: r.Note, Warnings: r.Warnings,
			}
			if r.Dataset != nil {
				c.Dataset = *r.Dataset
			}
			cases = append(cases, c)
		}
	}
	return cases, nil
}
