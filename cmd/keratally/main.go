// Command keratally keeps an outcomes registry of corneal cross-linking and
// reports from it. Each command is a short file of this folder.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// Exit codes: a usage error is told apart from work that failed.
const (
	exitFailed = 1
	exitUsage  = 2
)

// run does what a person typed and returns the exit code. It reads no global
// but the environment, so that tests run commands as people do.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	a := &app{ctx: ctx, stdin: stdin, stdout: stdout, stderr: stderr}
	defer a.close()
	var line commandLine
	exited := -1
	parser, err := kong.New(&line,
		kong.Name("keratally"),
		kong.Description("An outcomes registry with statistical reporting for corneal cross-linking. It describes what happened; it never recommends an irradiation."),
		kong.UsageOnError(),
		kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { exited = code }),
		kong.Vars{"version": version()},
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
		kong.Bind(a),
	)
	if err != nil {
		fmt.Fprintln(stderr, "keratally:", err)
		return exitFailed
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	parsed, err := parser.Parse(args)
	if exited >= 0 { // help or version was asked for
		return exited
	}
	if err != nil {
		fmt.Fprintf(stderr, "keratally: %v\n", err)
		return exitUsage
	}
	a.flags = line.globals
	if err := parsed.Run(a); err != nil {
		return a.report(err)
	}
	return 0
}

// report prints an error once, in words, and returns the exit code.
func (a *app) report(err error) int {
	var silent *quietError
	if errors.As(err, &silent) {
		return silent.code
	}
	fmt.Fprintf(a.stderr, "keratally: %v\n", err)
	return exitFailed
}

// quietError ends a command with a code when everything was said already.
type quietError struct{ code int }

func (e *quietError) Error() string { return fmt.Sprintf("exit %d", e.code) }
