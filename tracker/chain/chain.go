// Package chain is the arithmetic of the record's proof: how each event of a site is bound to all events before it, and
// how rows that stand outside an event are bound to the event that brought them. It reads and writes nothing; the schema
// checks the same arithmetic in SQL, and a bundle's recipe does in sh.
//
// All of it is SHA-256 (FIPS 180-4) over text that a person can print, with a first line that says what is hashed, so that
// no text of one kind can pass for one of another:
//
//	content of an event = SHA-256("vialward event 1\n" + canonical line + "\n")
//	hash of an event    = SHA-256("vialward chain 1\n" + hash before, 64 hex digits + "\n" + content, 64 hex digits + "\n")
//	digest of an event  = SHA-256("vialward brought 1\n" + one line for each row it brought)
//	digest of readings  = SHA-256("sensor,at,celsius\n" for each, as they stand in a CSV)
//
// The hash before the first event is 64 zeros. A site's newest place in the chain, "8123:" and its hash, is its head:
// whoever has a head on paper can tell whether anything up to there was ever rewritten, by whomever.
package chain

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// First lines of what is hashed.
const (
	eventLine   = "vialward event 1\n"
	linkLine    = "vialward chain 1\n"
	broughtLine = "vialward brought 1\n"
)

// Hash is a SHA-256. The zero one stands before the first event.
type Hash [sha256.Size]byte

// String is 64 lower-case hex digits.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// Of is the plain SHA-256 of some bytes, as sha256sum prints it.
func Of(b []byte) Hash { return sha256.Sum256(b) }

// Content is the hash of an event's canonical line by itself. A bundle carries it for the events it does not carry, so
// that a stranger can walk the chain past them.
func Content(canonical []byte) Hash {
	h := sha256.New()
	h.Write([]byte(eventLine))
	h.Write(canonical)
	h.Write([]byte{'\n'})
	return Hash(h.Sum(nil))
}

// Link is the hash of an event that follows another.
func Link(before, content Hash) Hash {
	b := make([]byte, 0, len(linkLine)+4*sha256.Size+2)
	b = append(b, linkLine...)
	b = hex.AppendEncode(b, before[:])
	b = append(b, '\n')
	b = hex.AppendEncode(b, content[:])
	return sha256.Sum256(append(b, '\n'))
}

// Head is a place in a site's chain: the number of an event, and its hash. The zero one stands before the first event.
type Head struct {
	Seq  int64
	Hash Hash
}

// Next is the head once an event of that content has followed.
func (h Head) Next(content Hash) Head { return Head{h.Seq + 1, Link(h.Hash, content)} }

// String is how a head is published and given: "8123:9f86d0...".
func (h Head) String() string { return strconv.FormatInt(h.Seq, 10) + ":" + h.Hash.String() }

// Spaced is a head as it is printed and mailed: in groups of eight digits, which an eye can compare and a line can break.
func (h Head) Spaced() string {
	s := strconv.FormatInt(h.Seq, 10) + ":"
	digits := h.Hash.String()
	for i := 0; i < len(digits); i += 8 {
		s += " " + digits[i:i+8]
	}
	return s
}

// ErrHead is for text that is not a head.
var ErrHead = errors.New("not a head of the record; write it as published: the number of the event, a colon, 64 hex digits")

// ParseHead reads what String and Spaced wrote, however it was broken into lines.
func ParseHead(s string) (Head, error) {
	var h Head
	seq, digits, found := strings.Cut(strings.Join(strings.Fields(s), ""), ":")
	n, err := strconv.ParseInt(seq, 10, 64)
	if !found || err != nil || n < 0 || len(digits) != hex.EncodedLen(len(h.Hash)) {
		return h, fmt.Errorf("%q is %w", s, ErrHead)
	}
	if _, err := hex.Decode(h.Hash[:], []byte(digits)); err != nil {
		return h, fmt.Errorf("%q is %w", s, ErrHead)
	}
	h.Seq = n
	return h, nil
}
