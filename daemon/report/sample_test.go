package report

import (
	"fmt"
	"iter"
	"time"

	"bothy/daemon/state"
)

// faroe is the zone of the sample, without asking for a database of zones.
var faroe = time.FixedZone("Atlantic/Faroe", 0)

var begun = time.Date(2026, 11, 25, 14, 31, 0, 0, time.UTC)

// listOf gives files without holding them.
func listOf(n int, file func(i int) File) iter.Seq2[File, error] {
	return func(yield func(File, error) bool) {
		for i := range n {
			if !yield(file(i), nil) {
				return
			}
		}
	}
}

func still(i, copies int, from time.Time) File {
	f := File{
		Path: fmt.Sprintf("DCIM/%dSKUAS/SKUA%04d.JPG", 100+i/500, i+1), SizeBytes: 8_400_000 + int64(i)*7919,
		ModTime: from.Add(time.Duration(i) * 17 * time.Second), Algorithm: "xxh128",
		Checksum: fmt.Sprintf("%016x%016x", uint64(i+1)*0x9e3779b97f4a7c15, uint64(i+7)*0xc2b2ae3d27d4eb4f),
	}
	for k := range copies {
		f.ProvenAt = append(f.ProvenAt, begun.Add(time.Duration(i/20+3*k)*time.Second))
	}
	return f
}

// sampleDay is invented: a seabird survey on skerries, with a released card, one
// that waits for a drive, and one with unreadable parts.
func sampleDay(stills int) *Day {
	folder := "2026-11-25/skerry-2-"
	a, b := "skerry-a", "skerry-b"
	released := Offload{
		ID: "k3v7q2ma-41", CardLabel: "SKUA_003", CardKey: "1", Folder: folder + "SKUA_003-143100", Started: begun, Verdict: "release",
		Reason: "2 proven copies on 2 drives", Verify: "read-back", Planned: stills,
		Copies: []Copy{{"d1", a, folder + "SKUA_003-143100", Proven, ""}, {"d2", b, folder + "SKUA_003-143100", Proven, ""}},
		Files:  listOf(stills, func(i int) File { return still(i, 2, begun.Add(-6*time.Hour)) }),
	}
	held := Offload{
		ID: "k3v7q2ma-42", CardLabel: "GANNET_1", CardKey: "2", Folder: folder + "GANNET_1-161207", Started: begun.Add(101 * time.Minute),
		Verdict: "hold", Reason: "it needs 1 more drive: skerry-b has no room above its reserve", Verify: "read-back", Planned: 3,
		Copies:  []Copy{{"d1", a, folder + "GANNET_1-161207", Proven, ""}, {"d2", b, folder + "GANNET_1-161207", Failed, "no room above its reserve: 1.20 GB wanted, 310 MB free"}},
		LeftOut: []string{"\"PRIVATE/latest\" is a link", "\".Trashes\" is ignored by the card's rule"},
		Files: listOf(3, func(i int) File {
			return File{Path: fmt.Sprintf("CLIPS/G%03d.MOV", i+1), SizeBytes: 412_000_512, ModTime: begun.Add(time.Duration(i) * time.Minute), Algorithm: "xxh128",
				Checksum: fmt.Sprintf("%032x", 77+i), ProvenAt: []time.Time{begun.Add(105 * time.Minute), {}}}
		}),
	}
	damaged := Offload{
		ID: "k3v7q2ma-43", CardLabel: "PUFFIN_9", CardKey: "3", Folder: folder + "PUFFIN_9-190455", Started: begun.Add(274 * time.Minute),
		Verdict: "hold", Reason: "1 file could not be read whole: 4,608 bytes missing (\"DCIM/100PUFF/PUFF0002.MOV\")", Verify: "read-back", Planned: 2,
		RefersTo: []string{"k3v7q2ma-12"},
		Copies:   []Copy{{"d1", a, folder + "PUFFIN_9-190455.incomplete", Incomplete, ""}, {"d2", b, folder + "PUFFIN_9-190455.incomplete", Incomplete, ""}},
		Salvaged: []state.Salvage{{Path: "DCIM/100PUFF/PUFF0002.MOV", As: "DCIM/100PUFF/PUFF0002.MOV.salvaged", SizeBytes: 734_003_200, MissingBytes: 4608,
			Missing: []state.ByteRange{{From: 1_048_576, To: 1_052_672}, {From: 9_000_448, To: 9_000_960}}}},
		Files: listOf(1, func(i int) File { return still(i, 2, begun.Add(4*time.Hour)) }),
	}
	return &Day{
		Date: "2026-11-25", Zone: "Atlantic/Faroe", Location: faroe, BoxName: "skerry-2", BoxID: "k3v7q2ma", Made: begun.Add(5 * time.Hour),
		ClockTrusted: true, Note: "A generated sample: the survey, its cards and its drives are invented.",
		Offloads: []Offload{released, held, damaged},
		Conditions: []Condition{
			{begun.Add(104 * time.Minute), true, "danger", "a drive has no room above its reserve", "skerry-b", "310 MB free, 2.00 GB are its reserve"},
			{begun.Add(280 * time.Minute), true, "danger", "parts of a card cannot be read", "PUFFIN_9", "\"DCIM/100PUFF/PUFF0002.MOV\" was read in part"},
			{begun.Add(290 * time.Minute), false, "danger", "parts of a card cannot be read", "PUFFIN_9", ""},
		},
	}
}

// filled is a day whose every string is text().
func filled(text func() string) *Day {
	s := text
	return &Day{
		Date: s(), Zone: s(), BoxName: s(), BoxID: "k3v7q2ma", Note: s(), Made: begun,
		Offloads: []Offload{{
			ID: s(), CardLabel: s(), CardKey: s(), Folder: s(), Started: begun, Verdict: s(), Reason: s(), Verify: s(), Planned: 2,
			RefersTo: []string{s(), s()}, LeftOut: []string{s(), s()},
			Salvaged: []state.Salvage{{Path: s(), As: s(), SizeBytes: 9, MissingBytes: 3, Missing: []state.ByteRange{{From: 1, To: 4}}}},
			Copies:   []Copy{{s(), s(), s(), Proven, s()}, {s(), s(), s(), s(), s()}},
			Files: listOf(2, func(i int) File {
				return File{Path: s(), SizeBytes: 5, ModTime: begun, Algorithm: s(), Checksum: s(), ProvenAt: []time.Time{begun, {}}}
			}),
		}},
		Conditions: []Condition{{begun, true, s(), s(), s(), s()}},
	}
}
