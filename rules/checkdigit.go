package rules

import (
	"slices"
	"strings"
)

// checkDigits tell of a code whether its last digit follows from the others; what is no digit is passed over.
var checkDigits = map[string]func(code string) bool{"verhoeff": verhoeff, "luhn": luhn}

// digits are the digits of a code from the right.
func digits(code string) (out []int) {
	for _, r := range code {
		if r >= '0' && r <= '9' {
			out = append(out, int(r-'0'))
		}
	}
	slices.Reverse(out)
	return out
}

// luhn is the check of LOINC: every other digit from the right is doubled. Codes of answers and parts begin with a letter and
// are let pass. Source: ISO/IEC 7812-1, annex B.
func luhn(code string) bool {
	if strings.ContainsAny(code, "LAP") {
		return true
	}
	sum := 0
	for i, d := range digits(code) {
		if i%2 == 1 {
			if d *= 2; d > 9 {
				d -= 9
			}
		}
		sum += d
	}
	return sum%10 == 0
}

// verhoeff is the check of SNOMED CT, by the dihedral group of ten: it finds every single wrong digit and every two that
// changed places. Source: J. Verhoeff, Error Detecting Decimal Codes, 1969.
func verhoeff(code string) bool {
	at := 0
	for i, d := range digits(code) {
		at = dihedral(at, verhoeffTurns[i%8][d])
	}
	return at == 0
}

// verhoeffTurns[i] is where the digit i places from the right goes: each row is the second one after the row before it.
var verhoeffTurns = func() (out [8][10]int) {
	turn := [10]int{1, 5, 7, 6, 2, 8, 3, 0, 9, 4}
	for d := range 10 {
		out[0][d] = d
	}
	for i := 1; i < 8; i++ {
		for d := range 10 {
			out[i][d] = out[i-1][turn[d]]
		}
	}
	return out
}()

// dihedral multiplies in the group of the turns (0 to 4) and flips (5 to 9) of a pentagon.
func dihedral(a, b int) int {
	switch {
	case a < 5 && b < 5:
		return (a + b) % 5
	case a < 5:
		return 5 + (a+b)%5
	case b < 5:
		return 5 + (a-b)%5
	}
	return (a - b + 5) % 5
}
