package passwords_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/passwords"
)

func TestHashAndCheck(t *testing.T) {
	t.Parallel()
	a := passwords.Light()
	one, err := a.Hash("kettle moss nine")
	require.NoError(t, err)
	other, err := a.Hash("kettle moss nine")
	require.NoError(t, err)
	require.NotEqual(t, one, other, "each has a salt of its own")
	require.NotContains(t, one, "kettle")
	for secret, same := range map[string]bool{
		"kettle moss nine": true, "kettle moss nina": false, "": false, "kettle moss nine ": false, "Kettle moss nine": false,
		strings.Repeat("k", 1<<20): false,
	} {
		got, err := a.Check(secret, one)
		require.NoError(t, err)
		require.Equal(t, same, got, "%.20q", secret)
	}
	_, err = a.Hash(strings.Repeat("k", 1<<20))
	require.Error(t, err, "nobody is made to hash a book")
}

// A letter with its mark as one character, or as two: keyboards differ, the password does not.
func TestSameLettersFromAnotherKeyboard(t *testing.T) {
	t.Parallel()
	a := passwords.Light()
	hash, err := a.Hash("caf\u00e9 und k\u00e4se")
	require.NoError(t, err)
	same, err := a.Check("cafe\u0301 und ka\u0308se", hash)
	require.NoError(t, err)
	require.True(t, same)
}

// The cost is as RFC 9106 recommends where memory is short (section 4, second option: M), and stands in the hash, so that
// hashes of another cost can still be checked.
func TestStandardCost(t *testing.T) {
	t.Parallel()
	hash, err := passwords.Standard().Hash("kettle moss nine")
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(hash, "$argon2id$v=19$m=65536,t=3,p=4$"), hash)
	same, err := passwords.Light().Check("kettle moss nine", hash)
	require.NoError(t, err)
	require.True(t, same)
}

// RFC 9106's own vector has a secret key and associated data, which this library does not take; this one is of the
// reference implementation's tests: version 19, 2 passes, 256 KiB, one lane (phc-winner-argon2, test.c: M).
func TestReferenceVector(t *testing.T) {
	t.Parallel()
	const hash = "$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4"
	same, err := passwords.Light().Check("password", hash)
	require.NoError(t, err)
	require.True(t, same)
	same, err = passwords.Light().Check("passwore", hash)
	require.NoError(t, err)
	require.False(t, same)
}

func TestDamagedHash(t *testing.T) {
	t.Parallel()
	for _, hash := range []string{
		"", "x", "$argon2i$v=19$m=64,t=1,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=64,t=0,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=64,t=1,p=0$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=4294967295,t=1,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=64,t=1,p=1$c29tZXNhbHQ$", "$argon2id$v=19$m=64,t=1,p=1$$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
	} {
		same, err := passwords.Light().Check("password", hash)
		require.Error(t, err, "%q", hash)
		require.False(t, same)
	}
}

func FuzzCheck(f *testing.F) {
	f.Add("password", "$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4")
	f.Add("", "$argon2id$v=19$m=8,t=1,p=1$$")
	f.Fuzz(func(t *testing.T, secret, hash string) {
		if strings.Contains(hash, "=") && len(hash) > 40 && !strings.Contains(hash, "m=256,t=2,p=1") {
			return // costs of its own: bounded, and slow
		}
		if same, err := passwords.Light().Check(secret, hash); same {
			if err != nil {
				t.Fatal("same, and an error")
			}
		}
	})
}

func BenchmarkStandard(b *testing.B) {
	a := passwords.Standard()
	hash, err := a.Hash("kettle moss nine")
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		if same, err := a.Check("kettle moss nine", hash); err != nil || !same {
			b.Fatal(err)
		}
	}
}
