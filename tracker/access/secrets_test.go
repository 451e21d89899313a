package access_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker/access"
)

// Length over rules. The lengths: OWASP ASVS 4.0, 2.1.1 and 2.1.2 (M).
func TestNewPassword(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ password, say string }{
		{"kettle moss nine", ""},
		{"kettlemossni", ""},             // twelve
		{"kettlemossn", "11 characters"}, // eleven
		{"Übergröße!!!", ""},             // twelve characters, more bytes
		{"käse köln ü", "11 characters"},
		{strings.Repeat("kettle moss ", 10) + "12345678", ""},             // 128
		{strings.Repeat("kettle moss ", 10) + "123456789", "128 at most"}, // 129
		{"alllowercase letters", ""},                                      // no kinds are asked for
		{"🧊 ice and moss 🧊", ""},
		{"aaaaaaaaaaaaaaa", "easily guessed"},
		{"abababababababab", "easily guessed"},
		{"tech-1tech-1tech-1", "easily guessed"},
		{"TECH-1 ida norris", "easily guessed"},
		{"tech-1 kettle moss", ""}, // the rest is long enough by itself
		{"Ida Norris Ida Norris", "easily guessed"},
		{"kettle\tmoss nine", "cannot be typed"},
		{"kettle moss nine\n", "cannot be typed"},
		{"kettle moss nine\xff", "cannot be typed"},
		{"", "0 characters"},
	} {
		err := access.NewPassword(c.password, "tech-1", "Ida Norris")
		if c.say == "" {
			require.NoError(t, err, "%q", c.password)
			continue
		}
		require.ErrorContains(t, err, c.say, "%q", c.password)
		if c.password != "" {
			require.NotContains(t, err.Error(), c.password, "a password is never repeated")
		}
	}
}

func TestNewPIN(t *testing.T) {
	t.Parallel()
	for pin, good := range map[string]bool{
		"271828": true, "9027431": true, "80274316": true, "112233": true,
		"27182": false, "802743165": false, "": false, "27182a": false, "２７１８２８": false, "-27182": false, "27 1828": false,
		"000000": false, "123456": false, "987654": false, "24681012": true, "13579": false, "135791": true, "246802": true, "02468": false,
		"271271": false, "454545": false, "27272727": false, "12341234": false,
	} {
		err := access.NewPIN(pin)
		require.Equal(t, good, err == nil, "%q: %v", pin, err)
		if err != nil && pin != "" {
			require.NotContains(t, err.Error(), pin)
		}
	}
}
