package checksum

import (
	"bytes"
	"errors"
	"testing"

	"pgregory.net/rapid"
)

// What a running Hash says, AppendSum says in one go, and AppendDigest reads
// back; both leave alone what stood before.
func TestAppendSum_agreesWithHash(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		name := rapid.SampledFrom(Names()).Draw(rt, "name")
		data := rapid.SliceOfN(rapid.Byte(), 0, 2000).Draw(rt, "data")
		h := must(New(name))
		h.Write(data)
		before := []byte("before")
		sum, err := AppendSum(before, name, data)
		if err != nil || len(sum) != len(before)+DigestBytes(name) || !bytes.HasPrefix(sum, before) {
			rt.Fatalf("AppendSum(%s) = %x, %v", name, sum, err)
		}
		if value, err := Encode(name, sum[len(before):]); err != nil || value != h.Sum() {
			rt.Fatalf("AppendSum(%s) = %s, %v, a Hash says %s", name, value, err, h.Sum())
		}
		digest, err := AppendDigest(before, name, h.Sum())
		if err != nil || !bytes.Equal(digest, sum) {
			rt.Fatalf("AppendDigest(%s) = %x, %v, want %x", h.Sum(), digest, err, sum)
		}
	})
}

func TestAppendSum_unknown(t *testing.T) {
	t.Parallel()
	if got, err := AppendSum([]byte("x"), "crc32", nil); !errors.Is(err, ErrUnknown) || string(got) != "x" {
		t.Errorf("AppendSum() = %q, %v", got, err)
	}
}

// Somebody who decodes 100,000 values must not pay for each in garbage.
func TestAppendDigest_allocatesNothing(t *testing.T) {
	var buf [64]byte
	for _, name := range Names() {
		value := must(New(name)).Sum()
		n := testing.AllocsPerRun(100, func() {
			digest, err := AppendDigest(buf[:0], name, value)
			if err == nil {
				_, err = AppendSum(digest[:0], name, digest)
			}
			if err != nil {
				t.Fatal(err)
			}
		})
		if n != 0 {
			t.Errorf("%s: %v allocations", name, n)
		}
	}
}
