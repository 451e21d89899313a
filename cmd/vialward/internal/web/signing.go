package web

import (
	"context"

	"vialward/tracker"
)

// signing is the part of a request by which its person signs what it asks for: an API token alone signs nothing.
type signing struct {
	Signature signature `json:"signature,omitzero"`
}

type signature struct {
	Password string `json:"password"`
}

func (s signing) password() string { return s.Signature.Password }

// signs is a request that is signed.
type signs interface{ password() string }

// sign proves the token's person by their password, throttled like a sign-in. Without one the operation itself refuses.
func (q *ask) sign(ctx context.Context, password string) error {
	if password == "" {
		return nil
	}
	who, err := q.t.ProveActor(ctx, q.site.Code, q.who.Person.Code, password, q.who.Via, tracker.From{Address: arrivalOf(q.r).address})
	if err == nil {
		q.who = who
	}
	return err
}
