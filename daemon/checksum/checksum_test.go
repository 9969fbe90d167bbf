package checksum

import (
	"bytes"
	"encoding/hex"
	"errors"
	"math/big"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// sanityBuffer is the generated buffer of the xxHash project's sanity tests:
// a generator starting at PRIME32 (2654435761), multiplied by PRIME64
// (11400714785074694797), of which the top byte is taken.
func sanityBuffer(n int) []byte {
	buf := make([]byte, n)
	generator := uint64(2654435761)
	for i := range buf {
		buf[i] = byte(generator >> 56)
		generator *= 11400714785074694797
	}
	return buf
}

func sum(t *testing.T, name string, data []byte) string {
	t.Helper()
	h, err := New(name)
	if err != nil {
		t.Fatal(err)
	}
	if n, err := h.Write(data); n != len(data) || err != nil {
		t.Fatalf("Write() = %d, %v", n, err)
	}
	return h.Sum()
}

func TestNew_publishedValues(t *testing.T) {
	t.Parallel()
	const (
		rfc1321 = "RFC 1321, appendix A.5"
		fips180 = "FIPS 180-4, NIST's example SHA1.pdf"
		xxhash  = "xxHash project, sanity tests, seed 0"
		c4lib   = "public C4 reference library (SMPTE ST 2114), its test vectors"
	)
	tests := []struct {
		source, algorithm, input, want string
	}{
		{xxhash, XXH64, "", "ef46db3751d8e999"},
		{xxhash, XXH3, "", "2d06800538d394c2"},
		{xxhash, XXH128, "", "99aa06d3014798d86001c324468d497f"},
		{xxhash, XXH64, string(sanityBuffer(222)), "b641ae8cb691c174"},
		{rfc1321, MD5, "", "d41d8cd98f00b204e9800998ecf8427e"},
		{rfc1321, MD5, "abc", "900150983cd24fb0d6963f7d28e17f72"},
		{rfc1321, MD5, "message digest", "f96b697d7cb7938d525a2f31aaf161d0"},
		{fips180, SHA1, "abc", "a9993e364706816aba3e25717850c26c9cd0d89d"},
		{c4lib, C4, "", "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT"},
		{c4lib, C4, "foo", "c45xZeXwMSpqXjpDumcHMA6mhoAmGHkUo7r9WmN2UgSEQzj9KjgseaQdkEJ11fGb5S1WEENcV3q8RFWwEeVpC7Fjk2"},
	}
	for _, tt := range tests {
		t.Run(tt.algorithm+"/"+tt.source, func(t *testing.T) {
			t.Parallel()
			if got := sum(t, tt.algorithm, []byte(tt.input)); got != tt.want {
				t.Errorf("%s of %q = %s, want %s (%s)", tt.algorithm, tt.input, got, tt.want, tt.source)
			}
		})
	}
}

// The C4 reference library's vector for a digest of 64 zero bytes.
func TestEncode_zeroC4(t *testing.T) {
	t.Parallel()
	got, err := Encode(C4, make([]byte, 64))
	if want := "c4" + strings.Repeat("1", 88); got != want || err != nil {
		t.Errorf("Encode(c4, zeros) = %s, %v, want %s", got, err, want)
	}
}

func TestNew_unknown(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"", "XXH64", "sha256", "xxh32"} {
		if _, err := New(name); !errors.Is(err, ErrUnknown) {
			t.Errorf("New(%q) = %v, want ErrUnknown", name, err)
		}
		if Known(name) {
			t.Errorf("Known(%q)", name)
		}
	}
}

func TestFast(t *testing.T) {
	t.Parallel()
	got := map[string]bool{}
	for _, name := range Names() {
		got[name] = Fast(name)
	}
	want := map[string]bool{C4: false, MD5: false, SHA1: false, XXH128: true, XXH3: true, XXH64: true}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// peer runs an independent program over data and returns its hexadecimal
// answer. A missing program is a failure where the continuous check runs.
func peer(t *testing.T, data []byte, argv ...string) string {
	t.Helper()
	path, err := exec.LookPath(argv[0])
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is not installed", argv[0])
		}
		t.Skipf("left out: %s is not installed, so nothing independent checks this algorithm", argv[0])
	}
	cmd := exec.Command(path, argv[1:]...)
	cmd.Stdin = bytes.NewReader(data)
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %v", argv, err)
	}
	line := string(out)
	if _, value, ok := strings.Cut(line, " = "); ok { // xxhsum's tagged form
		line = value
	}
	return strings.Fields(line)[0]
}

// Independent programs: xxhsum (xxHash project), md5sum, sha1sum and sha512sum
// (GNU coreutils); C4 is rebuilt from sha512sum with math/big.
func TestNew_agreesWithIndependentPrograms(t *testing.T) {
	t.Parallel()
	programs := map[string][]string{
		XXH64: {"xxhsum", "-H1"}, XXH128: {"xxhsum", "-H2"}, XXH3: {"xxhsum", "-H3"},
		MD5: {"md5sum"}, SHA1: {"sha1sum"}, C4: {"sha512sum"},
	}
	// Around the lengths at which XXH3 changes its method (16, 128, 240,
	// 1024-byte blocks) and the block lengths of the others.
	sizes := []int{0, 1, 3, 8, 16, 17, 55, 56, 64, 111, 112, 128, 129, 240, 241, 1023, 1024, 1025, 100_000}
	for _, name := range Names() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for _, size := range sizes {
				data := sanityBuffer(size)
				want := peer(t, data, programs[name]...)
				if name == C4 {
					want = bigC4(t, want)
				}
				if got := sum(t, name, data); got != want {
					t.Errorf("%d bytes: %s, %s says %s", size, got, programs[name][0], want)
				}
			}
		})
	}
}

func bigC4(t *testing.T, sha512Hex string) string {
	t.Helper()
	n, ok := new(big.Int).SetString(sha512Hex, 16)
	if !ok {
		t.Fatalf("not hexadecimal: %s", sha512Hex)
	}
	base, digit, out := big.NewInt(58), new(big.Int), ""
	for n.Sign() > 0 {
		n.DivMod(n, base, digit)
		out = c4Alphabet[digit.Int64():digit.Int64()+1] + out
	}
	return "c4" + strings.Repeat("1", 88-len(out)) + out
}

func TestHash_piecesGiveTheWhole(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		name := rapid.SampledFrom(Names()).Draw(rt, "name")
		data := rapid.SliceOfN(rapid.Byte(), 0, 5000).Draw(rt, "data")
		whole, pieces := must(New(name)), must(New(name))
		whole.Write(data)
		for rest := data; len(rest) > 0; {
			n := rapid.IntRange(1, len(rest)).Draw(rt, "n")
			pieces.Write(rest[:n])
			pieces.Sum() // must not disturb
			rest = rest[n:]
		}
		if whole.Sum() != pieces.Sum() {
			rt.Fatalf("%s: %s whole, %s in pieces", name, whole.Sum(), pieces.Sum())
		}
	})
}

func must(h Hash, err error) Hash {
	if err != nil {
		panic(err)
	}
	return h
}

func TestDecode_givesBackWhatEncodeTook(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		name := rapid.SampledFrom(Names()).Draw(rt, "name")
		size := DigestBytes(name)
		want := rapid.SliceOfN(rapid.Byte(), size, size).Draw(rt, "digest")
		value, err := Encode(name, want)
		if err != nil {
			rt.Fatal(err)
		}
		got, err := Decode(name, value)
		if err != nil || !bytes.Equal(got, want) {
			rt.Fatalf("Decode(%s) = %x, %v, want %x", value, got, err, want)
		}
		other := bytes.Clone(want)
		other[rapid.IntRange(0, size-1).Draw(rt, "at")] ^= 1
		changed, _ := Encode(name, other)
		if !Equal(name, value, value) || Equal(name, value, changed) {
			rt.Fatalf("Equal can't tell %s from %s", value, changed)
		}
	})
}

func TestDecode_refuses(t *testing.T) {
	t.Parallel()
	tests := map[string]struct{ name, value string }{
		"unknown":         {"crc32", "00000000"},
		"empty":           {MD5, ""},
		"short":           {XXH64, "ef46db3751d8e99"},
		"long":            {XXH64, "ef46db3751d8e9990"},
		"not hex":         {XXH64, "zf46db3751d8e999"},
		"c4 prefix":       {C4, "d4" + strings.Repeat("1", 88)},
		"c4 short":        {C4, "c4" + strings.Repeat("1", 87)},
		"c4 digit":        {C4, "c4" + strings.Repeat("0", 88)},
		"c4 beyond 2^512": {C4, "c4" + strings.Repeat("z", 88)},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got, err := Decode(tt.name, tt.value); err == nil {
				t.Errorf("Decode() = %x, want an error", got)
			}
			if Equal(tt.name, tt.value, tt.value) {
				t.Error("Equal() of what can't be decoded")
			}
		})
	}
}

func TestEqual_eitherCase(t *testing.T) {
	t.Parallel()
	if !Equal(MD5, hex.EncodeToString(bytes.Repeat([]byte{0xab}, 16)), strings.Repeat("AB", 16)) {
		t.Error("upper case isn't the same value")
	}
}

func FuzzDecode(f *testing.F) {
	f.Add(C4, "c4"+strings.Repeat("1", 88))
	f.Add(XXH64, "ef46db3751d8e999")
	f.Add(MD5, "D41D8CD98F00B204E9800998ECF8427E")
	f.Fuzz(func(t *testing.T, name, value string) {
		digest, err := Decode(name, value)
		if err != nil {
			return
		}
		again, err := Encode(name, digest)
		if err != nil || (name == C4 && again != value) || !strings.EqualFold(again, value) {
			t.Errorf("Encode(Decode(%q)) = %q, %v", value, again, err)
		}
	})
}
