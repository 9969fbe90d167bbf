package state

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

func TestSalvage_String(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		s    Salvage
		want string
	}{
		{
			Salvage{Path: "A.MOV", As: "A.MOV.salvaged", SizeBytes: 40000, MissingBytes: 12288, Missing: []ByteRange{{4096, 8192}, {16384, 24576}}},
			`"A.MOV" was read in part, and stands as "A.MOV.salvaged" with zeros for what is missing: 12,288 of 40,000 bytes missing, bytes [4096, 8192), [16384, 24576)`,
		},
		{Salvage{Path: "B\n", SizeBytes: 512, MissingBytes: 512, Missing: []ByteRange{{0, 512}}}, `"B\n" is not in the copies: 512 of 512 bytes missing, bytes [0, 512)`},
		{Salvage{Path: "C", As: "C.salvaged", SizeBytes: 5}, `"C" was read whole only in several attempts, and stands as "C.salvaged"`},
		{Salvage{MoreFiles: 7, SizeBytes: 1 << 20, MissingBytes: 1 << 10, MoreRanges: 1}, `and 7 files more: 1,024 of 1,048,576 bytes missing and 1 range more`},
	} {
		if got := tc.s.String(); got != tc.want {
			t.Errorf("got  %s\nwant %s", got, tc.want)
		}
	}
}

// A million ranges are counted, not listed.
func TestBoundSalvages(t *testing.T) {
	t.Parallel()
	var all []Salvage
	total := int64(0)
	for i := range 3 * MaxSalvages {
		s := Salvage{Path: fmt.Sprintf("%03d.MOV", i), As: "x", SizeBytes: 1 << 30}
		for n := range int64(4000) {
			s.Missing = append(s.Missing, ByteRange{n * 1024, n*1024 + 512})
			s.MissingBytes += 512
		}
		total += s.MissingBytes
		all = append(all, s)
	}
	kept := slices.Clone(all)
	shown := BoundSalvages(all)
	listed, more, missing, files := 0, 0, int64(0), 0
	for _, s := range shown {
		listed, more, missing, files = listed+len(s.Missing), more+s.MoreRanges, missing+s.MissingBytes, files+max(1, s.MoreFiles)
	}
	if len(shown) != MaxSalvages+1 || listed != MaxSalvageRanges || listed+more != 4000*len(all) || missing != total || files != len(all) {
		t.Errorf("%d entries, %d ranges and %d more, %d of %d bytes, %d files", len(shown), listed, more, missing, total, files)
	}
	if len(all[0].Missing) != len(kept[0].Missing) {
		t.Error("what was given is changed")
	}
	want := fmt.Sprintf("300 files could not be read whole: %s bytes missing (\"000.MOV\" and 299 more)", Thousands(total))
	if got := SalvageSummary(shown); got != want || !strings.Contains(want, "614,400,000") {
		t.Errorf("%s, want %s", got, want)
	}
	if got := SalvageSummary(nil); got != "" {
		t.Errorf("of nothing: %s", got)
	}
	if got := SalvageSummary([]Salvage{{Path: "A"}}); !strings.Contains(got, "1 file could be read only in several attempts") {
		t.Errorf("of a file that is whole: %s", got)
	}
}
