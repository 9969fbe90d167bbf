package policy

import "testing"

// TestSize_units has factors after IEC 80000-13: kB, MB ... are powers of 1000
// and KiB, MiB ... powers of 1024.
func TestSize_units(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]int64{
		"0B": 0, "1B": 1, "1kB": 1000, "1 kB": 1000, "1KiB": 1024, "64GB": 64_000_000_000, "64GiB": 68_719_476_736,
		"1.5TB": 1_500_000_000_000, "0.5KiB": 512, "1TiB": 1_099_511_627_776, "2PB": 2_000_000_000_000_000,
		"1PiB": 1_125_899_906_842_624, "9223372036854775807B": 9_223_372_036_854_775_807, "1.001kB": 1001,
		"1MB": 1_000_000, "1MiB": 1_048_576, "007GB": 7_000_000_000,
	} {
		if got, f := parseSize(in); f != nil || got != want {
			t.Errorf("%q is %d bytes (%v), want %d", in, got, f, want)
		}
	}
	for _, in := range []string{"", "GB", "4", ".5GB", "5.GB", "1,5GB", "4Gb", "+4GB", "0x4GB", "1e3GB", "9223372036854775808B", "9300PB", "4GB ", "1..2GB", "0.3B"} {
		if got, f := parseSize(in); f == nil {
			t.Errorf("%q is taken for %d bytes", in, got)
		}
	}
}

func TestSizeRange_contains(t *testing.T) {
	t.Parallel()
	for _, test := range []struct {
		text string
		size int64
		want bool
	}{
		{"4GB..1TB", 4e9, true}, {"4GB..1TB", 4e9 - 1, false}, {"4GB..1TB", 1e12, true}, {"4GB..1TB", 1e12 + 1, false},
		{"4GB..", 4e9, true}, {"4GB..", 1 << 62, true}, {"4GB..", 1, false},
		{"..1TB", 1, true}, {"..1TB", 1e12, true}, {"..1TB", 1e12 + 1, false},
		{" 4GB .. 4GiB ", 4.1e9, true}, {"1.5GB..2.5GB", 2e9, true}, {"0B..4GB", 1, true},
	} {
		r, f := parseRange(test.text)
		if f != nil {
			t.Errorf("%q is refused: %s", test.text, f.message)
			continue
		}
		if got := r.Contains(test.size); got != test.want {
			t.Errorf("%q holds %d: %v, want %v", test.text, test.size, got, test.want)
		}
	}
}

func TestSizeText(t *testing.T) {
	t.Parallel()
	for in, want := range map[int64]string{
		0: "0 B", 999: "999 B", 1000: "1.0 kB", 999_949: "999.9 kB", 999_950: "1.0 MB", 64e9: "64.0 GB", 1<<63 - 1: "9.2 EB",
	} {
		if got := sizeText(in); got != want {
			t.Errorf("%d reads as %q, want %q", in, got, want)
		}
	}
}
