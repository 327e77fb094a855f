//go:build linux || darwin

package main

import "syscall"

// freeSpace returns the bytes that are free, and all, on the disk of a folder.
func freeSpace(dir string) (free, all uint64, err error) {
	var at syscall.Statfs_t
	if err := syscall.Statfs(dir, &at); err != nil {
		return 0, 0, err
	}
	return uint64(at.Bavail) * uint64(at.Bsize), uint64(at.Blocks) * uint64(at.Bsize), nil
}
