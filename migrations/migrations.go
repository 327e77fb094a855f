// Package migrations holds the numbered steps of the schema, up and down. A
// step that has landed is never edited, only followed by the next.
package migrations

import "embed"

// Files holds NNNN_name.up.sql and NNNN_name.down.sql.
//
//go:embed *.sql
var Files embed.FS
