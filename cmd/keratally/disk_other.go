//go:build !linux && !darwin

package main

import "errors"

// freeSpace is not known here.
func freeSpace(string) (free, all uint64, err error) {
	return 0, 0, errors.ErrUnsupported
}
