package mail

import "context"

// Probe connects to the relay, greets it, protects the connection and signs in, and says good-bye: everything of
// sending but a mail. The error is a sentence.
func Probe(ctx context.Context, r Relay) error {
	if err := r.Check(); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, r.timeout())
	defer cancel()
	s, err := open(ctx, r)
	if err != nil {
		return err
	}
	return s.c.Quit()
}
