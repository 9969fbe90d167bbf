package browser

import (
	"fmt"
	"reflect"
	"strings"
	"time"

	"bothy/daemon/report"
	"bothy/daemon/state"
	"bothy/daemon/status"
	"bothy/testdata/shown"
)

// at is a moment of the invented survey's day.
func at(hour, minute int) time.Time { return time.Date(2026, 11, 25, hour, minute, 0, 0, time.UTC) }

// quiet is a box with nothing in it.
func quiet() *state.State {
	return &state.State{
		Moment: at(14, 31), ClockTrusted: true, Phase: state.Watching,
		Box:    state.Box{Name: "skerry-2", ID: "b7c1", Version: "0.1.0", Started: at(5, 2), Copies: 2},
		Policy: state.Policy{Path: "/etc/bothy/policy.toml", LoadedAt: at(5, 2)},
	}
}

// starting is a box that has no policy yet.
func starting() *state.State {
	return &state.State{Policy: state.Policy{Path: "/etc/bothy/policy.toml", Error: "policy.toml:3:1: unknown key \"lable\" (did you mean label?)\npolicy.toml:9:8: not a size (write 4GB)"}}
}

// ordinary is a moment of a good day: one card may go, one is being copied.
func ordinary() *state.State {
	s := quiet()
	s.Cards, s.Drives, s.Offloads = cards()[:2], drives()[:2], offloads()[:2]
	s.Drives[1].InUse, s.Drives[1].Health = true, state.Health{Word: state.HealthGood, HasCelsius: true, Celsius: 29}
	return s
}

// everything has one of each that can be shown.
func everything() *state.State {
	s := quiet()
	s.ClockTrusted = false
	s.Power = state.Power{HasBattery: true, HasCharge: true, Percent: 17, HasExternal: true, Level: state.LowPower}
	s.Cards, s.Drives, s.Offloads = cards(), drives(), offloads()
	s.Errand = &state.Errand{
		Kind: state.ErrandCatchUp, OffloadID: "b7c1-7", CardLabel: "SKUA_2", Folder: "2026-11-25/skerry-2-SKUA_2-101500",
		From: []string{"gannet"}, To: []string{"fulmar"}, Files: 420, Bytes: 31e9, Done: 0.37, Waits: true,
	}
	s.Conditions = []state.Condition{
		{Code: state.LedgerFailing, Detail: "insert copy: disk is full", Since: at(14, 20)},
		{Code: state.DriveFull, Subject: "guillemot", Detail: "1.80 GB free, the reserve is 2.00 GB", Since: at(13, 55)},
		{Code: state.ClockUntrusted, Since: at(5, 2)},
	}
	s.Devices = []state.Device{
		{Name: "mmcblk0p2", Node: "/dev/mmcblk0p2", FSType: "ext4", SizeBytes: 31e9, Decision: "left-alone", Sentence: "it holds the running system"},
		{Name: "sdg1", Node: "/dev/sdg1", Label: "TIDE TABLES", FSType: "vfat", SizeBytes: 8e9, Decision: "left-alone", Sentence: "no rule takes it: nothing in the policy matches label TIDE TABLES"},
	}
	return s
}

// cards are one of each answer.
func cards() []state.Card {
	return []state.Card{
		{Device: "sda1", Slot: "platform-usb-0:1.1", Label: "SKUA_A002", Rule: "stills", Phase: state.CardDecided, Verdict: state.Release, Reason: "2 proven copies stand on gannet and fulmar", OffloadID: "b7c1-11", SizeBytes: 128e9, Files: 1204, Bytes: 41.3e9},
		{Device: "sdb1", Slot: "platform-usb-0:1.2", Label: "SKUA_A003", Rule: "stills", Phase: state.CardWorking, Verdict: state.Hold, Reason: "copying to 2 drives", OffloadID: "b7c1-12", SizeBytes: 128e9, Files: 980, Bytes: 38.2e9},
		{Device: "sdc1", Slot: "platform-usb-0:1.3", Label: "TERN_CLIPS", Rule: "clips", Phase: state.CardDecided, Verdict: state.Hold, HoldKind: state.NeedsDrive, Reason: "1 proven copy stands; needs 1 more drive", OffloadID: "b7c1-10", SizeBytes: 256e9, Files: 14, Bytes: 96e9},
		{Device: "sdd1", Slot: "platform-usb-0:1.4", Label: "AUK_B001", Rule: "stills", Phase: state.CardDecided, Verdict: state.Hold, HoldKind: state.HoldByFault, Reason: "2 files could not be read whole: 29,704,192 bytes missing", OffloadID: "b7c1-9", SizeBytes: 64e9, Files: 310, Bytes: 9.8e9},
	}
}

// drives are one of each standing.
func drives() []state.Drive {
	return []state.Drive{
		{ID: "d-1", Name: "gannet", Device: "sdx1", Rule: "bay", FSType: "exfat", Attached: true, InUse: true, SizeBytes: 2e12, FreeBytes: 1.21e12, Copies: 9, Room: state.Room{Known: true, Cards: 25, Hours: 211}, Health: state.Health{Word: state.HealthGood, HasCelsius: true, Celsius: 31}},
		{ID: "d-2", Name: "fulmar", Device: "sdy1", Rule: "bay", FSType: "ext4", Attached: true, SizeBytes: 1e12, FreeBytes: 0.4e12, Copies: 9, Room: state.Room{Known: true, Cards: 8, Hours: 53}},
		{ID: "d-3", Name: "guillemot", Device: "sdz1", Rule: "bay", FSType: "exfat", Attached: true, Full: true, SizeBytes: 5e11, FreeBytes: 1.8e9, Copies: 31},
		{ID: "d-7", Name: "petrel", Device: "sdw1", Rule: "bay", FSType: "exfat", Attached: true, Failing: true, Reason: "it did not take what was flushed: input/output error", SizeBytes: 1e12, FreeBytes: 2e11, Copies: 4},
		{ID: "d-8", Name: "shag", Device: "sdv1", Rule: "bay", FSType: "exfat", Attached: true, InUse: true, Failing: true, SizeBytes: 1e12, FreeBytes: 2e11, Copies: 4},
		{ID: "d-9", Name: "kittiwake", Device: "sdu1", Rule: "bay", FSType: "exfat", Attached: true, SizeBytes: 1e12, FreeBytes: 2e11, Health: state.Health{Word: state.HealthFailing}, Formerly: []string{"bay-2"}},
		{Device: "sdf1", Rule: "bay", FSType: "exfat", Attached: true, Refused: true, Reason: "waits to be enrolled", SizeBytes: 1e12},
		{ID: "d-5", Name: "shore store", Path: "/mnt/nas", Rule: "nas", FSType: "nfs", Attached: true, SizeBytes: 8e12, FreeBytes: 5e12, Copies: 2},
		{ID: "d-4", Name: "razorbill", FSType: "xfs", SizeBytes: 1e12, FreeBytes: 9e10, Copies: 22, LastSeenAt: at(9, 12)},
		{ID: "d-6", Name: "puffin", FSType: "xfs", Retired: true, SizeBytes: 1e12, FreeBytes: 9e10, Copies: 3, LastSeenAt: at(9, 12)},
	}
}

func offloads() []state.Offload {
	two := func(a, b state.Copy) []state.Copy {
		a.DriveID, a.DriveName, b.DriveID, b.DriveName = "d-1", "gannet", "d-2", "fulmar"
		return []state.Copy{a, b}
	}
	left := state.Left{Total: 220 * time.Second, Copy: 199 * time.Second, Proof: 21 * time.Second}
	list := []state.Offload{
		{ID: "b7c1-12", Sequence: 12, CardLabel: "SKUA_A003", Started: at(14, 26), Running: true, Verdict: state.Hold, Reason: "copying to 2 drives",
			Files: 980, Bytes: 38.2e9, BytesRead: 21e9, Done: 0.47125, BytesPerSecond: 86_400_000, Left: left,
			Copies: two(state.Copy{Folder: "2026-11-25/skerry-2-SKUA_A003-1426", Phase: state.CopyCopying, BytesWritten: 21e9, BytesProven: 15e9, Done: 0.47125, Left: left},
				state.Copy{Folder: "2026-11-25/skerry-2-SKUA_A003-1426", Phase: state.CopyCopying, BytesWritten: 20e9, BytesProven: 14e9, Done: 0.45, Left: left})},
		{ID: "b7c1-11", Sequence: 11, CardLabel: "SKUA_A002", Started: at(13, 58), Ended: at(14, 11), Verdict: state.Release, Reason: "2 proven copies stand on gannet and fulmar",
			Files: 1204, Bytes: 41.3e9, RefersTo: []string{"b7c1-4"}, LeftOut: []string{".Trashes/ (ignored by the policy)", "DCIM/LATEST (a link)"},
			Copies: two(state.Copy{Folder: "2026-11-25/skerry-2-SKUA_A002-1358", Phase: state.CopyProven, BytesProven: 41.3e9, BytesWritten: 41.3e9},
				state.Copy{Folder: "2026-11-25/skerry-2-SKUA_A002-1358", Phase: state.CopyProven, BytesProven: 41.3e9, BytesWritten: 41.3e9})},
		{ID: "b7c1-10", Sequence: 10, CardLabel: "TERN_CLIPS", Started: at(12, 1), Ended: at(12, 40), Verdict: state.Hold, Reason: "1 proven copy stands; needs 1 more drive",
			Files: 14, Bytes: 96e9,
			Copies: two(state.Copy{Phase: state.CopyProven, Folder: "2026-11-25/skerry-2-TERN_CLIPS-1201"}, state.Copy{Phase: state.CopyRefused, Reason: "it lacks 11.0 GB of room above its reserve"})},
		{ID: "b7c1-9", Sequence: 9, CardLabel: "AUK_B001", Started: at(11, 2), Ended: at(11, 9), Verdict: state.Hold, Reason: "2 files could not be read whole: 29,704,192 bytes missing",
			Files: 310, Bytes: 9.8e9,
			Salvaged: []state.Salvage{{Path: "DCIM/100SKERR/AUK_0007.CR", As: "DCIM/100SKERR/AUK_0007.CR.salvaged", SizeBytes: 31e6, MissingBytes: 4608,
				Missing: []state.ByteRange{{From: 4096, To: 8192}, {From: 65536, To: 66048}}}},
			Copies: two(state.Copy{Phase: state.CopyIncomplete, Folder: "2026-11-25/skerry-2-AUK_B001-1102.incomplete", Reason: "2 files could not be read whole"},
				state.Copy{Phase: state.CopyUnfinished, Reason: "the drive was pulled", BytesWritten: 5e9, BytesProven: 4e9})},
	}
	for i := range list {
		list[i].Rule, list[i].Verify, list[i].Checksum, list[i].Day = "stills", "read-back", "xxh128", "2026-11-25"
	}
	return list
}

// named is everything under other names: each that comes from a medium or a person is
// the next of names.
func named(names []string) *state.State {
	s, n := everything(), 0
	next := func() string {
		n++
		return names[n%len(names)]
	}
	var walk func(v reflect.Value)
	walk = func(v reflect.Value) {
		switch {
		case v.Type() == reflect.TypeFor[time.Time]():
		case v.Type() == reflect.TypeFor[string]():
			v.SetString(next())
		case v.Kind() == reflect.Struct:
			for i := range v.NumField() {
				// These choose what is shown, or tie together what is.
				if f := v.Type().Field(i).Name; f != "Decision" && f != "Day" && f != "ID" && f != "OffloadID" && f != "Kind" && f != "Word" {
					walk(v.Field(i))
				}
			}
		case v.Kind() == reflect.Slice:
			for i := range v.Len() {
				walk(v.Index(i))
			}
		case v.Kind() == reflect.Pointer && !v.IsNil():
			walk(v.Elem())
		}
	}
	walk(reflect.ValueOf(s).Elem())
	return s
}

// long are names as long as a file system has them, without a place to break, and with.
func long() *state.State {
	return named([]string{strings.Repeat("KITTIWAKE_", 25), strings.Repeat("W", 255), strings.Repeat("skerry and stack ", 15), "2026-11-25/" + strings.Repeat("a-very-long-folder", 12)})
}

func hostile() *state.State { return named(shown.Hostile) }

// inventedDays is what a ledger of two days knows.
func inventedDays() status.DayList {
	places := func(folder, word string) []status.StoredCopy {
		return []status.StoredCopy{{DriveID: "d-1", DriveName: "gannet", Folder: folder, Status: "proven"}, {DriveID: "d-2", DriveName: "fulmar", Folder: folder, Status: word}}
	}
	return status.DayList{More: true, Days: []status.Day{
		{Day: "2026-11-25", ClockTrusted: true, Files: 1218, SizeBytes: 137.3e9, Offloads: []status.Stored{
			{ID: "b7c1-11", CardLabel: "SKUA_A002", Verdict: "release", Files: 1204, SizeBytes: 41.3e9, Copies: places("2026-11-25/skerry-2-SKUA_A002-1358", "proven")},
			{ID: "b7c1-10", CardLabel: "TERN_CLIPS", Verdict: "hold", Files: 14, SizeBytes: 96e9, Copies: places("2026-11-25/skerry-2-TERN_CLIPS-1201", "lost")},
		}},
		{Day: "2026-11-24", Files: 33, SizeBytes: 2e9, Offloads: []status.Stored{{ID: "b7c1-3", CardLabel: "TERN_1", Verdict: "release", Files: 33, SizeBytes: 2e9, Copies: places("2026-11-24/skerry-2-TERN_1-0912", "proven")}}},
	}}
}

// inventedFiles are found files, one with a long name and one with a hostile one.
func inventedFiles() status.FileList {
	var list status.FileList
	for i, name := range []string{"SKUA0001.JPG", strings.Repeat("LONG", 60) + ".JPG", shown.Hostile[0]} {
		list.Files = append(list.Files, status.NewStoredFile(status.StoredFile{
			Path: "DCIM/100SKUAS/" + name, SizeBytes: 8_400_000, Algorithm: "xxh128", Checksum: fmt.Sprintf("%032x", 77+i), OffloadID: "b7c1-11", CardLabel: "SKUA_A002", Started: at(13, 58),
			Places: []status.FilePlace{{StoredCopy: status.StoredCopy{DriveID: "d-1", DriveName: "gannet", Folder: "2026-11-25/skerry-2-SKUA_A002-1358", Status: "proven"}, Proven: true, ProvenAt: at(14, 10)}},
		}))
	}
	return list
}

// inventedDay is a day's report: a card released, one held and one read in part.
func inventedDay(day string) *report.Day {
	folder := day + "/skerry-2-"
	copies := func(card, word, why string) []report.Copy {
		return []report.Copy{{DriveID: "d-1", Drive: "gannet", Folder: folder + card, Status: report.Proven}, {DriveID: "d-2", Drive: "fulmar", Folder: folder + card, Status: word, Reason: why}}
	}
	files := func(n int, name string, second time.Time) func(yield func(report.File, error) bool) {
		return func(yield func(report.File, error) bool) {
			for i := range n {
				f := report.File{Path: fmt.Sprintf(name, i+1), SizeBytes: 8_400_000, ModTime: at(8, i), Algorithm: "xxh128", Checksum: fmt.Sprintf("%032x", 99+i), ProvenAt: []time.Time{at(14, 10), second}}
				if !yield(f, nil) {
					return
				}
			}
		}
	}
	return &report.Day{
		Date: day, Zone: "Atlantic/Faroe", Location: time.UTC, BoxName: "skerry-2", BoxID: "b7c1", Made: at(19, 30), ClockTrusted: true,
		Note: "An invented day: the survey, its cards and its drives are made up.",
		Offloads: []report.Offload{
			{ID: "b7c1-11", CardLabel: "SKUA_A002", CardKey: "1", Folder: folder + "SKUA_A002-1358", Started: at(13, 58), Verdict: "release", Reason: "2 proven copies stand on gannet and fulmar", Verify: "read-back", Planned: 4,
				Copies: copies("SKUA_A002-1358", report.Proven, ""), Files: files(4, "DCIM/100SKUAS/SKUA%04d.JPG", at(14, 11))},
			{ID: "b7c1-10", CardLabel: "TERN_CLIPS", CardKey: "2", Folder: folder + "TERN_CLIPS-1201", Started: at(12, 1), Verdict: "hold", Reason: "it needs 1 more drive", Verify: "read-back", Planned: 2,
				Copies: copies("TERN_CLIPS-1201", report.Failed, "no room above its reserve: 1.20 GB wanted, 310 MB free"), LeftOut: []string{"\"PRIVATE/latest\" is a link"},
				Files: files(2, "CLIPS/"+strings.Repeat("LONG", 50)+"%03d.MOV", time.Time{})},
		},
		Conditions: []report.Condition{{At: at(12, 30), Raised: true, Severity: "danger", Sentence: "a drive has no room above its reserve", Subject: "fulmar", Detail: "310 MB free, 2.00 GB are its reserve"}},
	}
}
