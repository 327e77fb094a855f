package pgstore

import (
	"context"
	"errors"
	"fmt"
	"net/url"

	"github.com/jackc/pgx/v5"
)

// Recreate drops the named database of the server at address, if it is there,
// makes an empty one and returns its address. It is for databases whose whole
// content can be made again, such as the demo's.
func Recreate(ctx context.Context, address, name string) (string, error) {
	conn, err := pgx.Connect(ctx, address)
	if err != nil {
		return "", fmt.Errorf("database: %w", err)
	}
	defer conn.Close(ctx)
	quoted := pgx.Identifier{name}.Sanitize()
	if _, err := conn.Exec(ctx, "DROP DATABASE IF EXISTS "+quoted+" WITH (FORCE)"); err != nil {
		return "", fmt.Errorf("dropping database %s: %w", name, err)
	}
	if _, err := conn.Exec(ctx, "CREATE DATABASE "+quoted+" TEMPLATE template0 ENCODING 'UTF8'"); err != nil {
		return "", fmt.Errorf("making database %s: %w", name, err)
	}
	return OtherDatabase(address, name)
}

// OtherDatabase returns the address of another database of the same server.
func OtherDatabase(address, name string) (string, error) {
	u, err := url.Parse(address)
	if err != nil || u.Scheme == "" {
		return "", errors.New("database address: should be a URL such as postgres://user@host/database")
	}
	u.Path = "/" + name
	return u.String(), nil
}
