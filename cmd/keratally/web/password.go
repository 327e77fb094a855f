package web

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// The cost of a password: 19 MiB, two passes, one lane, about 20 ms.
const (
	hashMemory = 19 << 10 // KiB
	hashPasses = 2
	hashLanes  = 1
	hashLength = 32
	saltLength = 16
)

// hashing bounds how many passwords are worked on at once, each of which
// takes its memory.
var hashing = make(chan struct{}, 2)

// shortest and longest are the characters that a password has.
const (
	shortestPassword = 12
	longestPassword  = 200
)

// CheckPassword returns what is wrong with a new password.
func CheckPassword(password string) error {
	n := utf8.RuneCountInString(password)
	if n < shortestPassword || n > longestPassword {
		return fmt.Errorf("a password of %d characters: should have %d to %d", n, shortestPassword, longestPassword)
	}
	return nil
}

// HashPassword returns what is stored of a password: argon2id in PHC form.
func HashPassword(ctx context.Context, password string) (string, error) {
	if err := CheckPassword(password); err != nil {
		return "", err
	}
	salt := make([]byte, saltLength)
	rand.Read(salt) // never fails: it aborts the program instead
	key, err := derive(ctx, password, salt, hashMemory, hashPasses, hashLanes)
	if err != nil {
		return "", err
	}
	encode := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, hashMemory, hashPasses, hashLanes, encode(salt), encode(key)), nil
}

func derive(ctx context.Context, password string, salt []byte, memory, passes uint32, lanes uint8) ([]byte, error) {
	select {
	case hashing <- struct{}{}:
		defer func() { <-hashing }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	return argon2.IDKey([]byte(password), salt, passes, memory, lanes, hashLength), nil
}

// verifyPassword reports whether a password is the one that was stored.
func verifyPassword(ctx context.Context, stored, password string) (bool, error) {
	var version int
	var memory, passes uint32
	var lanes uint8
	parts := strings.Split(stored, "$")
	if len(parts) != 6 || parts[1] != "argon2id" {
		return false, fmt.Errorf("stored password: not in the form of argon2id")
	}
	if _, err := fmt.Sscanf(parts[2]+" "+parts[3], "v=%d m=%d,t=%d,p=%d", &version, &memory, &passes, &lanes); err != nil || version != argon2.Version {
		return false, fmt.Errorf("stored password: not in the form of argon2id")
	}
	salt, err := base64.RawStdEncoding.DecodeString(parts[4])
	if err != nil {
		return false, fmt.Errorf("stored password: %w", err)
	}
	want, err := base64.RawStdEncoding.DecodeString(parts[5])
	if err != nil {
		return false, fmt.Errorf("stored password: %w", err)
	}
	got, err := derive(ctx, password, salt, memory, passes, lanes)
	if err != nil {
		return false, err
	}
	return subtle.ConstantTimeCompare(got, want) == 1, nil
}

// nobody is a hash that no password has, so that a name without an account
// takes as long to refuse as a wrong password.
const nobody = "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

// NewPassword draws a password of 20 letters and digits that are told apart.
func NewPassword() string {
	const letters = "abcdefghjkmnpqrstuvwxyz23456789" // 31
	out := make([]byte, 0, 23)
	var b [1]byte
	for len(out) < 23 {
		if len(out)%6 == 5 {
			out = append(out, '-')
			continue
		}
		rand.Read(b[:])
		if b[0] < 31*8 { // every letter as likely
			out = append(out, letters[b[0]%31])
		}
	}
	return string(out)
}
