package pglocal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"

	"golang.org/x/term"
)

// An installer is how one family of distributions installs PostgreSQL.
type installer struct {
	program string
	steps   [][]string
	asRoot  bool
}

// Debian's package makes and starts a server of its own on installation. This program
// runs a private one instead, so that is switched off first. To have it back, remove the file.
const noMainCluster = `mkdir -p /etc/postgresql-common/createcluster.d && ` +
	`echo 'create_main_cluster = false' > /etc/postgresql-common/createcluster.d/keratally.conf`

var installers = []installer{
	{program: "apt-get", asRoot: true, steps: [][]string{
		{"sh", "-c", noMainCluster},
		{"env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-o", "DPkg::Lock::Timeout=300", "update"},
		{"env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-o", "DPkg::Lock::Timeout=300", "install", "-y", "--no-install-recommends", "postgresql"},
	}},
	{program: "dnf", asRoot: true, steps: [][]string{{"dnf", "install", "-y", "postgresql-server"}}},
	{program: "apk", asRoot: true, steps: [][]string{{"apk", "add", "postgresql"}}},
	{program: "brew", steps: [][]string{{"brew", "install", "postgresql@17"}}},
}

// CannotInstallError says why the distribution's installer cannot be run, and what to
// run by hand.
type CannotInstallError struct{ Reason string }

func (e *CannotInstallError) Error() string { return "PostgreSQL cannot be installed: " + e.Reason }

// Install installs PostgreSQL with the distribution's own installer: apt-get, dnf, apk or
// brew. Each command is shown on out before it is run, and its output after. Where the
// installer needs root and the caller is not, it is run through sudo, which may ask
// for a password if standard input is a terminal.
//
// On Debian and its kin the package would also start a server for the whole
// machine; that is switched off by the first command shown.
func Install(ctx context.Context, out io.Writer) error {
	for _, in := range installers {
		if _, err := exec.LookPath(in.program); err != nil {
			continue
		}
		prefix, err := sudoFor(ctx, in)
		if err != nil {
			return err
		}
		for _, step := range in.steps {
			args := append(append([]string{}, prefix...), step...)
			fmt.Fprintf(out, "+ %s\n", shellLine(args))
			cmd := exec.CommandContext(ctx, args[0], args[1:]...)
			cmd.Stdin, cmd.Stdout, cmd.Stderr = os.Stdin, out, out
			if err := cmd.Run(); err != nil {
				return &CannotInstallError{fmt.Sprintf("%s: %v: see its output above", shellLine(args), err)}
			}
		}
		return nil
	}
	var names []string
	for _, in := range installers {
		names = append(names, in.program)
	}
	return &CannotInstallError{fmt.Sprintf("none of %s is here: install version %d or newer by hand, or set %s to the folder of its programs",
		strings.Join(names, ", "), OldestMajor, BinVariable)}
}

// sudoFor returns what has to stand before an installer's commands.
func sudoFor(ctx context.Context, in installer) ([]string, error) {
	if !in.asRoot || os.Geteuid() == 0 {
		return nil, nil
	}
	byHand := func(why string) error {
		return &CannotInstallError{fmt.Sprintf("%s: let an administrator run: %s", why, shellLine(in.steps[len(in.steps)-1]))}
	}
	if _, err := exec.LookPath("sudo"); err != nil {
		return nil, byHand("it needs root, and there is no sudo")
	}
	if exec.CommandContext(ctx, "sudo", "-n", "true").Run() == nil {
		return []string{"sudo", "-n"}, nil
	}
	if !term.IsTerminal(int(os.Stdin.Fd())) {
		return nil, byHand("it needs root, and sudo wants a password but there is no terminal to ask on")
	}
	return []string{"sudo"}, nil
}

// shellLine writes a command as a person would type it.
func shellLine(args []string) string {
	words := make([]string, len(args))
	for i, a := range args {
		words[i] = a
		if a == "" || strings.ContainsAny(a, " '\"$&>*?;|<\\") {
			words[i] = "'" + strings.ReplaceAll(a, "'", `'\''`) + "'"
		}
	}
	return strings.Join(words, " ")
}

// ErrUnsupported says that no private server can be run on this system.
var ErrUnsupported = errors.New("a private database is supported on Linux and macOS only: use docker compose, or a server by --database or KERATALLY_DATABASE_URL")
