//go:build !linux && !darwin

package pglocal

import (
	"context"
	"io"
)

// Options say which private server is wanted. There is none on this system.
type Options struct {
	Dir, BinDir        string
	Install, Throwaway bool
	Log                io.Writer
	Outlive            int
}

// Server is a running private server. There is none on this system.
type Server struct{}

// DefaultDir returns ErrUnsupported.
func DefaultDir() (string, error) { return "", ErrUnsupported }

// Start returns ErrUnsupported.
func Start(context.Context, Options) (*Server, error) { return nil, ErrUnsupported }

// Dir returns nothing, as there is no Server.
func (*Server) Dir() string { return "" }

// URL returns nothing, as there is no Server.
func (*Server) URL(string) string { return "" }

// EnsureDatabase returns ErrUnsupported.
func (*Server) EnsureDatabase(context.Context, string) error { return ErrUnsupported }

// Stop returns ErrUnsupported.
func (*Server) Stop(context.Context) error { return ErrUnsupported }

// Sweep returns ErrUnsupported.
func Sweep(string) error { return ErrUnsupported }
