// Package passwords hashes what people prove themselves with: argon2id (RFC 9106), and the only importer of it.
package passwords

import (
	"errors"
	"fmt"
	"runtime/debug"

	"github.com/alexedwards/argon2id"
	"golang.org/x/text/unicode/norm"
)

// Argon2id hashes and checks; it may be used by several at once.
type Argon2id struct {
	cost argon2id.Params
}

// Standard is RFC 9106, section 4, second recommended option: 3 passes, 4 lanes, 64 MiB, a salt of 128 bits, a tag of 256
// bits (M).
func Standard() Argon2id {
	return Argon2id{argon2id.Params{Iterations: 3, Parallelism: 4, Memory: 64 << 10, SaltLength: 16, KeyLength: 32}}
}

// Light is for tests: as good as no hashing at all.
func Light() Argon2id {
	return Argon2id{argon2id.Params{Iterations: 1, Parallelism: 1, Memory: 8, SaltLength: 16, KeyLength: 32}}
}

// longest text that is hashed, in bytes: 128 characters of four.
const longest = 512

var errTooLong = errors.New("longer than a password can be")

// Hash of a secret, with its salt and cost in it: "$argon2id$v=19$m=65536,t=3,p=4$SALT$TAG".
func (a Argon2id) Hash(secret string) (string, error) {
	if len(secret) > longest {
		return "", fmt.Errorf("hash a password: %w", errTooLong)
	}
	defer tidy(a.cost.Memory)
	hash, err := argon2id.CreateHash(typed(secret), &a.cost)
	if err != nil {
		return "", fmt.Errorf("hash a password: %w", err)
	}
	return hash, nil
}

// Check says whether the hash is of the secret. It costs what the hash says, whatever the answer. A hash that is damaged,
// or would cost more than sixteen times today's standard, is an error.
func (a Argon2id) Check(secret, hash string) (bool, error) {
	if len(secret) > longest {
		return false, nil
	}
	p, salt, tag, err := argon2id.DecodeHash(hash)
	if err != nil {
		return false, fmt.Errorf("read a password's hash: %w", err)
	}
	most := Standard().cost
	if p.Iterations == 0 || p.Parallelism == 0 || p.Iterations > 16*most.Iterations || p.Memory > 16*most.Memory || len(salt) < 8 || len(tag) < 16 {
		return false, errors.New("read a password's hash: its cost or lengths are out of bounds")
	}
	defer tidy(p.Memory)
	same, err := argon2id.ComparePasswordAndHash(typed(secret), hash)
	if err != nil {
		return false, fmt.Errorf("check a password: %w", err)
	}
	return same, nil
}

// tidy gives back at once what a hash took: two after another would else hold it twice.
func tidy(kibibytes uint32) {
	if kibibytes >= 16<<10 {
		debug.FreeOSMemory()
	}
}

// typed makes one text of the ways in which keyboards write the same letters (NFC, Unicode Standard Annex 15).
func typed(secret string) string { return norm.NFC.String(secret) }
