package identity

import (
	"strings"
	"testing"
	"time"

	"bothy/testdata/mutants"
)

func fuzzedIdentities(t testing.TB) (seeds []mutants.Seed) {
	t.Helper()
	id := New("kittiwake", "skerry-2", time.Date(2026, 11, 25, 14, 31, 0, 0, time.UTC))
	id.ID = "abcdefghijklmn23" // made at random; seeds are the same each time
	sound, err := id.Bytes()
	if err != nil {
		t.Fatal(err)
	}
	seeds = append(seeds, mutants.Seed{string(sound)})
	for _, seed := range []string{
		"", "id = 1", "id = \"../../etc/shadow\"\nname = \"x\"", "id = 'abcdefgh'\nname = \"\\u202e<b>\"", "[id]\nid = 'abcdefgh'",
		"id = 'abcdefgh'\nid = 'abcdefgh'\nname = 'n'", "id = 'abcdefgh'\nname = \"a\\nb\"", "\xff\xfe", "id = 'abcdefgh'\nname = 'n'\nenrolled = 9999-99-99",
		"id = 'abcdefgh'\nname = 'n'\nbox = \"\\u0000\"", strings.Repeat("a.", 4000) + "a = 1", strings.Repeat("[", 5000), "id = 'abcdefgh'\nname = '" + strings.Repeat("\u0301", 64) + "'",
	} {
		seeds = append(seeds, mutants.Seed{seed})
	}
	return seeds
}

// Whatever a drive says it is: an identity that is taken can be shown, compared
// and written again, and is read back as it was.
func checkParsed(t testing.TB, data []byte) (taken bool) {
	id, err := Parse(data)
	if err != nil {
		if id != (Identity{}) {
			t.Errorf("an identity comes with an error: %+v", id)
		}
		return false
	}
	if !validID(id.ID) || CheckName(id.Name) != nil {
		t.Errorf("taken: %+v", id)
	}
	again, err := id.Bytes()
	if err != nil {
		t.Fatalf("write %+v: %v", id, err)
	}
	back, err := Parse(again)
	if err != nil || back.ID != id.ID || back.Name != id.Name || back.Box != id.Box || !back.Enrolled.Equal(id.Enrolled) {
		t.Errorf("%+v became %+v, %v", id, back, err)
	}
	return true
}

func FuzzIdentity(f *testing.F) {
	for _, seed := range fuzzedIdentities(f) {
		f.Add([]byte(seed[0]))
	}
	f.Fuzz(func(t *testing.T, data []byte) { checkParsed(t, data) })
}

func TestParse_mutants(t *testing.T) {
	mutants.Try(t, "FuzzIdentity", fuzzedIdentities(t), func(t testing.TB, input [][]byte) bool { return checkParsed(t, input[0]) })
}
