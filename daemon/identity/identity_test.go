package identity

import (
	"strings"
	"testing"
	"time"
)

// Whatever a drive says it is: an identity that is taken can be shown, compared
// and written again, and is read back as it was.
func FuzzIdentity(f *testing.F) {
	sound, err := New("kittiwake", "skerry-2", time.Date(2026, 11, 25, 14, 31, 0, 0, time.UTC)).Bytes()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(sound)
	for _, seed := range []string{
		"", "id = 1", "id = \"../../etc/shadow\"\nname = \"x\"", "id = 'abcdefgh'\nname = \"\\u202e<b>\"", "[id]\nid = 'abcdefgh'",
		"id = 'abcdefgh'\nid = 'abcdefgh'\nname = 'n'", "id = 'abcdefgh'\nname = \"a\\nb\"", "\xff\xfe", "id = 'abcdefgh'\nname = 'n'\nenrolled = 9999-99-99",
		"id = 'abcdefgh'\nname = 'n'\nbox = \"\\u0000\"", strings.Repeat("a.", 4000) + "a = 1", strings.Repeat("[", 5000), "id = 'abcdefgh'\nname = '" + strings.Repeat("\u0301", 64) + "'",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		id, err := Parse(data)
		if err != nil {
			if id != (Identity{}) {
				t.Errorf("an identity comes with an error: %+v", id)
			}
			return
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
	})
}
