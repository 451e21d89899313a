package stock

import (
	"fmt"
	"strconv"
	"strings"
)

// Micrograms and Microlitres are the only forms in which amounts are kept and compared.
type (
	Micrograms  int64
	Microlitres int64
)

// Concentration is an exact quotient: so much in so much. The zero value is none.
type Concentration struct {
	Amount Micrograms  `json:"amount_micrograms"`
	Volume Microlitres `json:"volume_microlitres"`
}

// PerML is the concentration in mg/mL (or units/mL) as a decimal cut to a thousandth; exact says whether nothing was cut.
func (c Concentration) PerML() (decimal string, exact bool) {
	if c.Amount <= 0 || c.Volume <= 0 || c.Amount > 1e12 {
		return "", false
	}
	milli, rest := int64(c.Amount)*1000/int64(c.Volume), int64(c.Amount)*1000%int64(c.Volume)
	return SayMilli(milli), rest == 0
}

// Storage is a storage class of a preparation, a storage unit and a stability row (USP <659>).
type Storage string

const (
	Room         Storage = "room"         // 20 to 25 °C
	Refrigerator Storage = "refrigerator" // 2 to 8 °C
	Freezer      Storage = "freezer"      // -25 to -10 °C
)

// Warmth orders storage classes: a move to a larger warmth shortens a beyond-use date.
func (s Storage) Warmth() int {
	switch s {
	case Freezer:
		return 0
	case Refrigerator:
		return 1
	default:
		return 2
	}
}

// Known says whether s is one of the three classes.
func (s Storage) Known() bool { return s == Room || s == Refrigerator || s == Freezer }

// ParseMilli reads a plain decimal ("10", "2.5") as thousandths, exactly. More than three decimals, signs, exponents
// and anything above 1e12 are refused with a sentence.
func ParseMilli(s string) (int64, error) {
	whole, frac, _ := strings.Cut(s, ".")
	if whole == "" || len(whole) > 12 || len(frac) > 3 || strings.HasSuffix(s, ".") || !digits(whole) || !digits(frac) {
		return 0, fmt.Errorf("%q is not a plain decimal with at most three places", s)
	}
	n, err := strconv.ParseInt(whole+frac+strings.Repeat("0", 3-len(frac)), 10, 64)
	if err != nil {
		return 0, fmt.Errorf("%q is not a plain decimal: %w", s, err)
	}
	return n, nil
}

// SayMilli prints thousandths as the shortest decimal: no trailing zeros, as label practice asks.
func SayMilli(n int64) string {
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	s := fmt.Sprintf("%s%d.%03d", sign, n/1000, n%1000)
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
}

func digits(s string) bool { return strings.Trim(s, "0123456789") == "" }

// SayNumbers prints sorted running numbers: "1-3, 7".
func SayNumbers(n []int) string {
	var parts []string
	for i := 0; i < len(n); {
		k := i
		for k+1 < len(n) && n[k+1] == n[k]+1 {
			k++
		}
		part := strconv.Itoa(n[i])
		if k > i {
			part += "-" + strconv.Itoa(n[k])
		}
		parts = append(parts, part)
		i = k + 1
	}
	return strings.Join(parts, ", ")
}
