//go:build !linux

package pgtest

import "os"

// scratchFolder is where throwaway servers stand.
func scratchFolder() string { return os.TempDir() }
