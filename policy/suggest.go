package policy

import "strings"

// nearest returns the candidate that word was probably meant to be, or "".
func nearest(word string, candidates []string) string {
	word = strings.ToLower(word)
	if len(word) > 40 {
		return ""
	}
	// More letters off than this, and the guess would rather mislead.
	best, bestDistance := "", max(1, min(3, (len(word)+1)/3))+1
	for _, c := range candidates {
		if d := distance(word, strings.ToLower(c)); d < bestDistance {
			best, bestDistance = c, d
		}
	}
	return best
}

// distance counts the letters to insert, delete, replace or swap with their
// neighbour to turn a into b.
func distance(a, b string) int {
	rows := make([][]int, len(a)+1)
	for i := range rows {
		rows[i] = make([]int, len(b)+1)
		rows[i][0] = i
	}
	for j := range rows[0] {
		rows[0][j] = j
	}
	for i := 1; i <= len(a); i++ {
		for j := 1; j <= len(b); j++ {
			differs := 1
			if a[i-1] == b[j-1] {
				differs = 0
			}
			d := min(rows[i-1][j]+1, rows[i][j-1]+1, rows[i-1][j-1]+differs)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				d = min(d, rows[i-2][j-2]+1)
			}
			rows[i][j] = d
		}
	}
	return rows[len(a)][len(b)]
}

// suggestion is the hint for a word that is none of the known ones.
func suggestion(word string, known []string) string {
	if n := nearest(word, known); n != "" {
		return `did you mean "` + n + `"?`
	}
	var named []string
	for _, k := range known {
		if k != "" {
			named = append(named, k)
		}
	}
	return "known are " + strings.Join(named, ", ")
}
