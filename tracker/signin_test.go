package tracker_test

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// counted hashes at no cost, and counts: what takes as long as what else.
type counted struct {
	checks, hashes, atOnce, most atomic.Int64
	during                       func() // nil, or what happens while a check is computed
}

func (c *counted) Hash(secret string) (string, error) {
	c.hashes.Add(1)
	salt := rand.Text()
	sum := sha256.Sum256([]byte(salt + secret))
	return "$argon2id$" + salt + "$" + hex.EncodeToString(sum[:]), nil
}

func (c *counted) Check(secret, hash string) (bool, error) {
	c.checks.Add(1)
	for now := c.atOnce.Add(1); ; {
		if most := c.most.Load(); now <= most || c.most.CompareAndSwap(most, now) {
			break
		}
	}
	defer c.atOnce.Add(-1)
	if c.during != nil {
		c.during()
	}
	part := strings.Split(hash, "$")
	sum := sha256.Sum256([]byte(part[2] + secret))
	return part[3] == hex.EncodeToString(sum[:]), nil
}

// door is a site whose people can sign in.
type door struct {
	*setup
	hashing *counted
}

var admin = tracker.Actor{Person: stock.Person{Code: "admin-1"}, Via: tracker.ViaPage}

const site = "SMALL"

// secret of a person in these tests.
func secret(person string) string {
	return "kettle moss nine of " + strings.ToUpper(person[:1]) + person[2:]
}

func newDoor(t *testing.T) *door {
	t.Helper()
	s := newSiteLike(t, func(s *stock.Site) {
		s.People = append(s.People, stock.Person{Code: "admin-1", Roles: []string{stock.Administrator}}, stock.Person{Code: "call-1", Roles: []string{stock.OnCall}},
			stock.Person{Code: "log-1", Roles: []string{stock.Logger}}, stock.Person{Code: "admin-2", Roles: []string{stock.Administrator}})
	})
	d := &door{s, &counted{}}
	s.Door = tracker.NewDoor(d.hashing)
	require.NoError(t, d.FirstAdministrator(t.Context(), site, tracker.Account("root"), "admin-1", secret("admin-1")))
	for _, p := range []string{"rph-1", "tech-1", "tech-2", "call-1"} {
		d.give(t, p)
	}
	return d
}

// give a person a password of their own: given out, then changed.
func (d *door) give(t *testing.T, person string) {
	t.Helper()
	start, until, err := d.ResetPassword(t.Context(), site, admin, person)
	require.NoError(t, err)
	require.Equal(t, 72*time.Hour, until.Sub(d.now))
	_, err = d.SetPassword(t.Context(), site, person, start, secret(person), tracker.From{})
	require.NoError(t, err)
}

// in signs a person in who must be let in.
func (d *door) in(t *testing.T, person string, from tracker.From) tracker.SignedIn {
	t.Helper()
	in, err := d.SignIn(t.Context(), site, person, secret(person), from)
	require.NoError(t, err)
	return in
}

// pass lets time go on.
func (d *door) pass(by time.Duration) { d.now = d.now.Add(by) }

func home(device string) tracker.From {
	return tracker.From{Address: "192.0.2.7", Device: device, Browser: "a phone"}
}

// The first administrator is made on the machine, once; from then on administrators give out passwords.
func TestFirstAdministrator(t *testing.T) {
	t.Parallel()
	s := newSiteLike(t, func(s *stock.Site) {
		s.People = append(s.People, stock.Person{Code: "admin-1", Name: "Ida Norris", Roles: []string{stock.Administrator}}, stock.Person{Code: "admin-2", Roles: []string{stock.Administrator}})
	})
	s.Door = tracker.NewDoor(&counted{})
	ctx, root := t.Context(), tracker.Account("root")
	refused(t, s.FirstAdministrator(ctx, site, admin, "admin-1", secret("admin-1")), "role")
	refused(t, s.FirstAdministrator(ctx, site, root, "rph-1", secret("rph-1")), "person")
	refused(t, s.FirstAdministrator(ctx, site, root, "admin-9", secret("rph-1")), "person")
	refused(t, s.FirstAdministrator(ctx, site, root, "admin-1", "Ida Norris Ida"), "password")
	require.Empty(t, allAtOnce(
		func() error { return s.FirstAdministrator(ctx, site, root, "admin-1", secret("admin-1")) },
		func() error { return s.FirstAdministrator(ctx, site, root, "admin-2", secret("admin-2")) },
	))
	refused(t, s.FirstAdministrator(ctx, site, root, "admin-1", secret("admin-1")), "first")
	refused(t, s.FirstAdministrator(ctx, site, root, "admin-2", secret("admin-2")), "first")
	_, err1 := s.SignIn(ctx, site, "admin-1", secret("admin-1"), home(""))
	_, err2 := s.SignIn(ctx, site, "admin-2", secret("admin-2"), home(""))
	require.NotEqual(t, err1 == nil, err2 == nil, "of two at once one is first")
	var set []stock.Event
	for _, e := range s.events(t, site) {
		if e.Kind == stock.PasswordSet {
			set = append(set, e)
		}
	}
	require.Len(t, set, 1)
	require.Equal(t, "root", set[0].By)
	require.Equal(t, tracker.ViaAccount, set[0].Via)
	require.NotContains(t, string(set[0].Canonical()), "argon2id", "never a hash")
}

// Nothing tells whether there is somebody of a name: the same sentence, one check of a password, the same number of tries.
func TestNothingTellsWhetherAnAccountExists(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	ctx := t.Context()
	_, err := d.SignIn(ctx, site, "tech-1", "whatever it is", home("")) // the first one also makes nobody's hash
	require.ErrorIs(t, err, tracker.ErrWrong)
	said := map[string][]string{}
	for n, person := range []string{"rph-1", "rph-2", "log-1", "nobody", "", "vialward", strings.Repeat("x", 5000), "\x00\xff'; --"} {
		from := tracker.From{Address: "198.51.100." + string(rune('1'+n)), Browser: "x"}
		for range 12 {
			before, hashed := d.hashing.checks.Load(), d.hashing.hashes.Load()
			_, err := d.SignIn(ctx, site, person, "kettle moss none", from)
			require.Error(t, err)
			words := err.Error()
			if d.hashing.checks.Load() == before {
				words = "not looked at: " + words
			}
			require.LessOrEqual(t, d.hashing.checks.Load(), before+1)
			require.Equal(t, hashed, d.hashing.hashes.Load())
			said[person] = append(said[person], words)
		}
		d.pass(time.Hour)
	}
	for person, words := range said {
		require.Equal(t, said["nobody"], words, "%.20q", person)
		require.Contains(t, words[11], "not looked at")
	}
}

// A sign-in makes all new tokens; what the browser had before is worth nothing, and only hashes are stored.
func TestTokensAreNewAtSignIn(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	ctx := t.Context()
	for _, planted := range []string{"", "planted", strings.Repeat("A", 51), strings.Repeat("a", 52), strings.Repeat("A", 52) + "\x00"} {
		in := d.in(t, "tech-1", tracker.From{Address: "192.0.2.7", Device: planted, Session: planted})
		require.NotEqual(t, planted, in.Device)
		require.NotEqual(t, planted, in.Token)
		require.Len(t, in.Token, 52)
		require.NotEqual(t, in.Token, in.Device)
	}
	first := d.in(t, "tech-1", home(""))
	second := d.in(t, "rph-1", tracker.From{Address: "192.0.2.7", Device: first.Device, Session: first.Token})
	require.NotEqual(t, first.Token, second.Token)
	require.Equal(t, first.Device, second.Device, "the device stays the same one")
	_, err := d.SessionNow(ctx, first.Token)
	require.ErrorIs(t, err, tracker.ErrSignedOut)
	s, err := d.SessionNow(ctx, second.Token)
	require.NoError(t, err)
	require.Equal(t, "rph-1", s.Person)
	require.NotContains(t, string(s.Device), first.Device)
	for _, token := range []string{"", "x", second.Device, first.Token[:51] + "7", second.Token + "A", strings.ToLower(second.Token), "\x00"} {
		_, err := d.SessionNow(ctx, token)
		require.ErrorIs(t, err, tracker.ErrSignedOut, "%q", token)
	}
}

// Limits are of the session: half an hour without a request, twelve hours in all.
func TestSessionLimits(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	ctx := t.Context()
	in := d.in(t, "tech-1", home(""))
	for range 25 { // at work
		d.pass(29 * time.Minute)
		if _, err := d.SessionNow(ctx, in.Token); err != nil {
			require.ErrorIs(t, err, tracker.ErrSignedOut)
			require.GreaterOrEqual(t, d.now.Sub(in.Session.StartedAt), 12*time.Hour)
			break
		}
		require.Less(t, d.now.Sub(in.Session.StartedAt), 12*time.Hour)
	}
	in = d.in(t, "tech-1", home(""))
	d.pass(30 * time.Minute)
	_, err := d.SessionNow(ctx, in.Token)
	require.ErrorIs(t, err, tracker.ErrSignedOut, "left alone for half an hour")
	d.pass(-10 * time.Minute)
	_, err = d.SessionNow(ctx, in.Token)
	require.NoError(t, err)
	require.NoError(t, d.SignOut(ctx, in.Token))
	require.NoError(t, d.SignOut(ctx, in.Token), "once more does no harm")
	require.NoError(t, d.SignOut(ctx, "nothing of the kind"))
	_, err = d.SessionNow(ctx, in.Token)
	require.ErrorIs(t, err, tracker.ErrSignedOut)
}

// Whoever left the site, or lost their password to a new one, is out at once; what is open elsewhere ends.
func TestWhoMayNoMoreIsOut(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	ctx := t.Context()
	phone, tablet := d.in(t, "tech-1", home("")), d.in(t, "tech-1", tracker.From{Address: "10.0.0.9"})
	_, _, err := d.ResetPassword(ctx, site, pharmacist, "tech-1")
	refused(t, err, "role")
	_, _, err = d.ResetPassword(ctx, site, admin, "admin-1")
	refused(t, err, "person")
	_, _, err = d.ResetPassword(ctx, site, admin, "log-1")
	refused(t, err, "role")
	_, _, err = d.ResetPassword(ctx, site, admin, "nobody")
	refused(t, err, "role")
	start, _, err := d.ResetPassword(ctx, site, admin, "tech-1")
	require.NoError(t, err)
	for _, in := range []tracker.SignedIn{phone, tablet} {
		_, err := d.SessionNow(ctx, in.Token)
		require.ErrorIs(t, err, tracker.ErrSignedOut)
	}
	_, err = d.SignIn(ctx, site, "tech-1", secret("tech-1"), home(phone.Device))
	require.ErrorIs(t, err, tracker.ErrWrong, "the old password")

	// The one given out is for choosing one's own, and nothing else.
	in, err := d.SignIn(ctx, site, "tech-1", start, home(phone.Device))
	require.NoError(t, err)
	s, err := d.SessionNow(ctx, in.Token)
	require.NoError(t, err)
	whole, err := d.ShowSite(ctx, site)
	require.NoError(t, err)
	_, err = s.Actor(&whole, d.now)
	require.ErrorIs(t, err, tracker.ErrStart)
	_, err = d.Prove(ctx, site, "tech-1", start, tracker.From{})
	require.ErrorIs(t, err, tracker.ErrStart)
	require.ErrorIs(t, d.SetPIN(ctx, site, "tech-1", start, "271828", home(phone.Device)), tracker.ErrStart)
	_, err = d.SetPassword(ctx, site, "tech-1", start, start, home(phone.Device))
	refused(t, err, "password")
	own, err := d.SetPassword(ctx, site, "tech-1", start, "another moss kettle", tracker.From{Address: "192.0.2.7", Device: phone.Device, Session: in.Token})
	require.NoError(t, err)
	_, err = d.SessionNow(ctx, in.Token)
	require.ErrorIs(t, err, tracker.ErrSignedOut)
	s, err = d.SessionNow(ctx, own.Token)
	require.NoError(t, err)
	a, err := s.Actor(&whole, d.now)
	require.NoError(t, err)
	require.Equal(t, "tech-1", a.Person.Code)
	require.Equal(t, tracker.ViaPage, a.Via)
	_, err = d.SignIn(ctx, site, "tech-1", start, home(phone.Device))
	require.ErrorIs(t, err, tracker.ErrWrong)

	// One that was given out and not used.
	start, _, err = d.ResetPassword(ctx, site, admin, "tech-2")
	require.NoError(t, err)
	d.pass(72 * time.Hour)
	_, err = d.SignIn(ctx, site, "tech-2", start, home(""))
	refused(t, err, "start")
	_, err = d.SetPassword(ctx, site, "tech-2", start, secret("tech-2"), home(""))
	refused(t, err, "start")

	// Gone from the site.
	rph := d.in(t, "rph-1", home(""))
	s, err = d.SessionNow(ctx, rph.Token)
	require.NoError(t, err)
	for i := range whole.People {
		if whole.People[i].Code == "rph-1" {
			whole.People[i].Left = d.now
		}
	}
	_, err = s.Actor(&whole, d.now)
	require.ErrorIs(t, err, tracker.ErrSignedOut)
	whole.People = nil
	_, err = s.Actor(&whole, d.now)
	require.ErrorIs(t, err, tracker.ErrSignedOut)
}

// Sessions are listed and ended: one's own, and by an administrator everybody's, which is an event.
func TestSessionsListedAndEnded(t *testing.T) {
	t.Parallel()
	d := newDoor(t)
	ctx := t.Context()
	phone, tablet := d.in(t, "tech-1", home("")), d.in(t, "tech-1", tracker.From{Address: "2001:db8::7", Browser: "a tablet\x00\xff" + strings.Repeat("ü", 500)})
	other := d.in(t, "rph-1", home(""))
	tech := tracker.Actor{Person: stock.Person{Code: "tech-1"}, Via: tracker.ViaPage}
	own, err := d.Sessions(ctx, site, tech, "tech-1")
	require.NoError(t, err)
	require.Len(t, own, 2)
	require.Equal(t, tablet.Session.Number, own[0].Number, "newest first")
	require.Equal(t, "2001:db8::/64", own[0].Address)
	require.Equal(t, "a tablet"+strings.Repeat("ü", 112), own[0].Browser)
	_, err = d.Sessions(ctx, site, tech, "")
	refused(t, err, "role")
	_, err = d.Sessions(ctx, site, tech, "rph-1")
	refused(t, err, "role")
	all, err := d.Sessions(ctx, site, admin, "")
	require.NoError(t, err)
	require.Len(t, all, 3)

	_, err = d.EndSession(ctx, site, tech, other.Session.Number)
	refused(t, err, "role")
	_, err = d.EndSession(ctx, site, tech, phone.Session.Number)
	require.NoError(t, err)
	_, err = d.EndSession(ctx, site, tech, phone.Session.Number)
	refused(t, err, "ended")
	_, err = d.EndSession(ctx, site, admin, 4711)
	require.ErrorIs(t, err, tracker.ErrNotFound)
	_, err = d.EndSession(ctx, site, admin, tablet.Session.Number)
	require.NoError(t, err)
	for _, in := range []tracker.SignedIn{phone, tablet} {
		_, err := d.SessionNow(ctx, in.Token)
		require.ErrorIs(t, err, tracker.ErrSignedOut)
	}
	events := d.events(t, site)
	last := events[len(events)-1]
	require.Equal(t, stock.SessionEnded, last.Kind)
	require.Equal(t, "admin-1", last.By)
	require.Equal(t, "tech-1", last.Body.To)
	require.NotEqual(t, stock.SessionEnded, events[len(events)-2].Kind, "ending one's own is nobody's business")
	d.pass(30 * time.Minute)
	all, err = d.Sessions(ctx, site, admin, "")
	require.NoError(t, err)
	require.Empty(t, all, "those that ran out are not listed")
}
