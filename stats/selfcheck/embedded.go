package selfcheck

import (
	"embed"
	"io/fs"
)

//go:embed reference
var reference embed.FS

// embedded returns the cases that are part of the program: public-domain and
// open data with their sources (reference/README.md).
func embedded() fs.FS {
	root, err := fs.Sub(reference, "reference")
	if err != nil {
		panic(err) // the folder is compiled in
	}
	return root
}
