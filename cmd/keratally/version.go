package main

import "runtime/debug"

// release is the version of the program; a build may set it by -ldflags.
var release = "0.1.0"

// version returns the release with the revision that it was built from, where
// the build recorded one.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return release
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			return release + " (" + s.Value[:12] + ")"
		}
	}
	return release
}

type versionCmd struct{}

func (versionCmd) Run(a *app) error {
	a.say("keratally %s", version())
	return nil
}
