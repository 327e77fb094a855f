package main

import (
	"fmt"
	"io"
	"os"
	"runtime"
	"time"

	"keratally/stats/selfcheck"
)

// selfcheckCmd runs the statistics against reference results.
type selfcheckCmd struct {
	Cases string `help:"Folder with datasets/ and expected/; without one, the set inside this program." type:"existingdir" placeholder:"DIR"`
	Out   string `help:"File for the evidence: version, date, machine and every number of every case." placeholder:"FILE"`
}

// Run prints every case and its agreement; any difference ends with code 1.
func (c *selfcheckCmd) Run(a *app) error {
	options := selfcheck.Options{Dir: c.Cases, Version: version(), Date: time.Now().Format(time.DateOnly), Machine: thisMachine()}
	var summary selfcheck.Summary
	check := func(report io.Writer) (err error) {
		options.Report = report
		summary, err = selfcheck.Run(options, a.stdout)
		return err
	}
	err := error(nil)
	if c.Out != "" {
		err = writeFile(c.Out, check)
	} else {
		err = check(nil)
	}
	if err != nil {
		return err
	}
	if summary.Differ > 0 {
		return &quietError{exitFailed}
	}
	return nil
}

func thisMachine() string {
	name, err := os.Hostname()
	if err != nil {
		name = "unnamed"
	}
	return fmt.Sprintf("%s, %s/%s, %d processors, %s", name, runtime.GOOS, runtime.GOARCH, runtime.NumCPU(), runtime.Version())
}
