package chain_test

import (
	"fmt"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/chain"
)

// sha256sum of GNU coreutils is the second opinion on every hash: what it says of the text that the package's own
// documentation describes.
func sum(t require.TestingT, text string) string {
	cmd := exec.Command("sha256sum")
	cmd.Stdin = strings.NewReader(text)
	out, err := cmd.Output()
	require.NoError(t, err)
	return string(out[:64])
}

// FIPS 180-4's examples "abc" and the empty message, as published by NIST with the standard (R).
func TestPublishedHashes(t *testing.T) {
	t.Parallel()
	require.Equal(t, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad", chain.Of([]byte("abc")).String())
	require.Equal(t, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855", chain.Of(nil).String())
}

func TestLinksAsDocumented(t *testing.T) {
	t.Parallel()
	zeros := strings.Repeat("0", 64)
	first := chain.Head{}.Next(chain.Content([]byte(`{"seq":1,"note":"a \\ b ü"}`)))
	content := sum(t, "vialward event 1\n"+`{"seq":1,"note":"a \\ b ü"}`+"\n")
	require.Equal(t, sum(t, "vialward chain 1\n"+zeros+"\n"+content+"\n"), first.Hash.String())
	require.EqualValues(t, 1, first.Seq)
	second := first.Next(chain.Content([]byte("x")))
	require.Equal(t, sum(t, "vialward chain 1\n"+first.Hash.String()+"\n"+sum(t, "vialward event 1\nx\n")+"\n"), second.Hash.String())
	require.EqualValues(t, 2, second.Seq)
}

func TestBroughtAsDocumented(t *testing.T) {
	t.Parallel()
	var b chain.Brought
	require.Empty(t, b.Digest())
	at := time.Date(2025, 11, 2, 1, 30, 0, 1000, time.FixedZone("", -5*3600))
	none := (*time.Time)(nil)
	text := "a"
	b.Add(chain.Line("component", "251112-1", 2, "x \"y\"\n", at, none, &at, &text, true, chain.Hash{}, []byte{0xAB}, nil, []string{"A", "B"}))
	b.Add(chain.Line("batch", "251112-1"))
	want := `["batch","251112-1"]` + "\n" +
		`["component","251112-1",2,"x \"y\"\n","2025-11-02T06:30:00.000001Z",null,"2025-11-02T06:30:00.000001Z","a",true,"` +
		strings.Repeat("0", 64) + `","ab",null,["A","B"]]` + "\n"
	require.Equal(t, "vialward brought 1\n"+want, string(b.Text()))
	require.Equal(t, sum(t, "vialward brought 1\n"+want), b.Digest())
}

// The order in which rows are handed over does not matter; a row more, less or other does.
func TestBroughtIsAboutRows(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rows := rapid.SliceOfNDistinct(rapid.String(), 1, 8, rapid.ID).Draw(t, "rows")
		digest := func(rows []string) string {
			var b chain.Brought
			for _, r := range rows {
				b.Add(chain.Line("row", r))
			}
			return b.Digest()
		}
		require.Equal(t, digest(rows), digest(rapid.Permutation(rows).Draw(t, "again")))
		require.NotEqual(t, digest(rows), digest(rows[1:]))
		require.NotEqual(t, digest(rows), digest(append(rows[1:], rows[0]+"x")))
	})
}

func TestReadingLine(t *testing.T) {
	t.Parallel()
	at := time.Date(2025, 11, 12, 5, 0, 0, 250_000_000, time.UTC).UnixMicro()
	for milli, want := range map[int32]string{4700: "4.700", 0: "0.000", -5: "-0.005", -18250: "-18.250", 8001: "8.001"} {
		require.Equal(t, "T1,2025-11-12T05:00:00.250000Z,"+want+"\n", string(chain.Lines("T1").Append(nil, at, milli)))
	}
}

// Against the standard library, from the year 0 to 9999, in any order.
func TestReadingLinesAgainstTheLibrary(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		lines := chain.Lines("T1")
		for _, at := range rapid.SliceOfN(rapid.Int64Range(-62167219200_000_000, 253402300799_999_999), 1, 5).Draw(t, "at") {
			milli := rapid.Int32Range(-200_000, 200_000).Draw(t, "milli")
			got := string(lines.Append(nil, at, milli))
			sign, n := "", milli
			if n < 0 {
				sign, n = "-", -n
			}
			require.Equal(t, fmt.Sprintf("T1,%s,%s%d.%03d\n", time.UnixMicro(at).UTC().Format("2006-01-02T15:04:05.000000Z"), sign, n/1000, n%1000), got)
		}
	})
}

func TestHeadsComeBack(t *testing.T) {
	t.Parallel()
	h := chain.Head{}.Next(chain.Content([]byte("x")))
	for _, s := range []string{h.String(), h.Spaced(), "  " + h.String()[:30] + " \r\n " + h.String()[30:]} {
		got, err := chain.ParseHead(s)
		require.NoError(t, err)
		require.Equal(t, h, got)
	}
	require.Regexp(t, "^1:( [0-9a-f]{8}){8}$", h.Spaced())
	for _, bad := range []string{"", "1", "1:", ":" + h.Hash.String(), "x:" + h.Hash.String(), "-1:" + h.Hash.String(), h.String() + "0", "1:" + strings.Repeat("g", 64)} {
		_, err := chain.ParseHead(bad)
		require.ErrorIs(t, err, chain.ErrHead, bad)
	}
}

func FuzzParseHead(f *testing.F) {
	f.Add("8123:" + strings.Repeat("0f", 32))
	f.Fuzz(func(t *testing.T, s string) {
		h, err := chain.ParseHead(s)
		if err != nil {
			return
		}
		again, err := chain.ParseHead(h.String())
		require.NoError(t, err)
		require.Equal(t, h, again)
	})
}

func BenchmarkEvent(b *testing.B) {
	line := []byte(`{"site":1,"seq":8123,"kind":"placed","at":"2025-11-12T13:20:00.000000Z","entered_at":"2025-11-12T13:20:41.123456Z","by":"tech-1","via":"page","vials":["` +
		strings.Repeat(`251112-1-01","`, 20) + `"],"body":{"to":"R1/A"}}`)
	var h chain.Head
	for b.Loop() {
		h = h.Next(chain.Content(line))
	}
	b.ReportMetric(float64(len(line)), "bytes/event")
}

func BenchmarkReadingText(b *testing.B) {
	var text []byte
	at := time.Date(2025, 11, 12, 5, 0, 0, 0, time.UTC).UnixMicro()
	for b.Loop() {
		text = text[:0]
		lines := chain.Lines("T1")
		for i := range 1440 {
			text = lines.Append(text, at+int64(i)*60_000_000, 4700)
		}
		_ = chain.Of(text)
	}
}
