package export

import (
	"archive/zip"
	"bytes"
	"io"
	"io/fs"
	"maps"
	"slices"

	"github.com/xuri/excelize/v2"
)

// orderedZip keeps the parts of a workbook until it is closed and writes them
// in the order of their names: the library writes streamed sheets in the order of
// a map, another each time.
type orderedZip struct {
	to    *zip.Writer
	parts map[string]*bytes.Buffer
}

func newOrderedZip(w io.Writer) excelize.ZipWriter {
	return &orderedZip{zip.NewWriter(w), map[string]*bytes.Buffer{}}
}

// Create begins a part.
func (z *orderedZip) Create(name string) (io.Writer, error) {
	part := &bytes.Buffer{}
	z.parts[name] = part
	return part, nil
}

// AddFS adds the files of a file system.
func (z *orderedZip) AddFS(files fs.FS) error { return z.to.AddFS(files) }

// Close writes every part and ends the archive.
func (z *orderedZip) Close() error {
	for _, name := range slices.Sorted(maps.Keys(z.parts)) {
		w, err := z.to.Create(name)
		if err != nil {
			return err
		}
		if _, err := z.parts[name].WriteTo(w); err != nil {
			return err
		}
	}
	return z.to.Close()
}
