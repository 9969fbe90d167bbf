package status

import (
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"bothy/daemon/state"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the golden files anew")

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(file, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("%s (-want +got):\n%s", file, diff)
	}
}

// at is a moment of the invented survey day.
func at(hour, minute, second int) time.Time {
	return time.Date(2026, 11, 25, hour, minute, second, 0, time.UTC)
}

// sampleState is an invented moment of an invented seabird survey, with one of
// everything that can be shown.
func sampleState() *state.State {
	return &state.State{
		Moment: at(14, 31, 5), Sequence: 412, Phase: state.Watching,
		Box:    state.Box{Name: "skerry-2", ID: "b7c1", Version: "0.1.0", Started: at(5, 2, 40), Copies: 2},
		Policy: state.Policy{Path: "/etc/bothy/policy.toml", LoadedAt: at(5, 2, 41)},
		Power:  state.Power{HasBattery: true, HasCharge: true, Percent: 17, HasExternal: true, Level: state.LowPower},
		Devices: []state.Device{
			{Name: "mmcblk0p2", Node: "/dev/mmcblk0p2", Disk: "mmcblk0", FSType: "ext4", SizeBytes: 31e9, Decision: "left-alone", Sentence: "it holds the running system"},
			{Name: "sda1", Node: "/dev/sda1", Disk: "sda", Slot: "platform-usb-0:1.1", Label: "SKUA_A003", FSType: "exfat", SizeBytes: 128e9, Decision: "card", Rule: "stills", Sentence: "card rule \"stills\" took it: label SKUA_A003 matches SKUA_*"},
			{Name: "sdg1", Node: "/dev/sdg1", Disk: "sdg", Label: "TIDE TABLES", FSType: "vfat", SizeBytes: 8e9, Decision: "left-alone", Sentence: "no rule takes it: nothing in the policy matches label TIDE TABLES"},
		},
		Cards:  sampleCards(),
		Drives: sampleDrives(),
		Errand: &state.Errand{
			Kind: state.ErrandCatchUp, OffloadID: "abcdefgh-7", CardLabel: "SKUA_2", Folder: "2026-11-25/skerry-2-SKUA_2-101500",
			From: []string{"gannet"}, To: []string{"fulmar"}, Files: 420, Bytes: 31_000_000_000, Done: 0.37, Waits: true,
		},
		Offloads: sampleOffloads(),
		Conditions: []state.Condition{
			{Code: state.LedgerFailing, Detail: "insert copy: disk is full", Since: at(14, 20, 0)},
			{Code: state.DriveFull, Subject: "guillemot", Detail: "1.80 GB free, the reserve is 2.00 GB", Since: at(13, 55, 12)},
			{Code: state.DriveNotEnrolled, Subject: "/dev/sdf1", Since: at(14, 30, 1)},
			{Code: state.ClockUntrusted, Since: at(5, 2, 41)},
		},
		Counters: state.Counters{DeviceEvents: 61, DeviceRescans: 4, BytesRead: 171e9, BytesWritten: 330e9, BytesReadBack: 301e9,
			FilesProven: 5120, CopiesProven: 6, CopiesFailed: 1, Releases: 3, Holds: 2, ConditionsRaised: map[string]uint64{"drive-full": 1, "clock-untrusted": 1},
			OffloadsStarted: 5, OffloadsFinished: 4},
	}
}

func sampleCards() []state.Card {
	return []state.Card{
		{Device: "sda1", Slot: "platform-usb-0:1.1", Label: "SKUA_A002", Rule: "stills", Phase: state.CardDecided, Verdict: state.Release, Reason: "2 proven copies stand on gannet and fulmar", OffloadID: "b7c1-11", SizeBytes: 128e9, Files: 1204, Bytes: 41.3e9},
		{Device: "sdb1", Slot: "platform-usb-0:1.2", Label: "SKUA_A003", Rule: "stills", Phase: state.CardWorking, Verdict: state.Hold, Reason: "copying to 2 drives", OffloadID: "b7c1-12", SizeBytes: 128e9, Files: 980, Bytes: 38.2e9},
		{Device: "sdc1", Slot: "platform-usb-0:1.3", Label: "TERN_CLIPS", Rule: "clips", Phase: state.CardDecided, Verdict: state.Hold, HoldKind: state.NeedsDrive, Reason: "1 proven copy stands; needs 1 more drive", OffloadID: "b7c1-10", SizeBytes: 256e9, Files: 14, Bytes: 96e9},
		{Device: "sdd1", Slot: "platform-usb-0:1.4", Label: "AUK_B001", Rule: "stills", Phase: state.CardDecided, Verdict: state.Hold, HoldKind: state.HoldByFault, Reason: "2 files cannot be read; the rest is saved", OffloadID: "b7c1-9", SizeBytes: 64e9, Files: 310, Bytes: 9.8e9},
	}
}

func sampleDrives() []state.Drive {
	return []state.Drive{
		{ID: "d-1", Name: "gannet", Device: "sdx1", Rule: "bay", FSType: "exfat", Attached: true, InUse: true, SizeBytes: 2e12, FreeBytes: 1.21e12, Copies: 9, Room: state.Room{Known: true, Cards: 25, Hours: 211}, Health: state.Health{Word: state.HealthGood, HasCelsius: true, Celsius: 31}},
		{ID: "d-2", Name: "fulmar", Device: "sdy1", Rule: "bay", FSType: "ext4", Attached: true, SizeBytes: 1e12, FreeBytes: 0.4e12, Copies: 9, Room: state.Room{Known: true, Cards: 1, Hours: 53}, Formerly: []string{"bay-2", "<b>bay"}, Health: state.Health{Word: state.HealthFailing}},
		{ID: "d-3", Name: "guillemot", Device: "sdz1", Rule: "bay", FSType: "exfat", Attached: true, Full: true, SizeBytes: 5e11, FreeBytes: 1.8e9, Copies: 31},
		{Device: "sdf1", Rule: "bay", FSType: "exfat", Attached: true, Refused: true, Reason: "waits to be enrolled", SizeBytes: 1e12},
		{ID: "d-5", Name: "shore store", Path: "/mnt/nas", Rule: "nas", FSType: "nfs", Attached: true, SizeBytes: 8e12, FreeBytes: 5e12, Copies: 2},
		{ID: "d-4", Name: "razorbill", FSType: "xfs", SizeBytes: 1e12, FreeBytes: 9e10, Copies: 22, LastSeenAt: at(9, 12, 0)},
		{ID: "d-6", Name: "puffin", FSType: "xfs", Retired: true, SizeBytes: 1e12, FreeBytes: 9e10, Copies: 3, LastSeenAt: at(9, 12, 0)},
	}
}

// left is a time left in seconds of copying and of proof.
func left(copying, proof time.Duration) state.Left {
	return state.Left{Total: (copying + proof) * time.Second, Copy: copying * time.Second, Proof: proof * time.Second}
}

func sampleOffloads() []state.Offload {
	two := func(a, b state.Copy) []state.Copy {
		a.DriveID, a.DriveName, b.DriveID, b.DriveName = "d-1", "gannet", "d-2", "fulmar"
		return []state.Copy{a, b}
	}
	return []state.Offload{
		{ID: "b7c1-12", Sequence: 12, CardLabel: "SKUA_A003", Rule: "stills", Device: "sdb1", Started: at(14, 26, 50), Running: true, Verdict: state.Hold, Reason: "copying to 2 drives",
			Verify: "read-back", Checksum: "xxh128", Files: 980, Bytes: 38.2e9, BytesRead: 21e9,
			Done: 0.47125, BytesPerSecond: 86_400_000, Left: left(199, 21),
			Copies: two(state.Copy{Folder: "2026-11-25/skerry-2-SKUA_A003-1426", Phase: state.CopyCopying, BytesWritten: 21e9, BytesProven: 15e9, FilesProven: 400, Done: 0.47125, Left: left(199, 21)},
				state.Copy{Folder: "2026-11-25/skerry-2-SKUA_A003-1426", Phase: state.CopyWaiting})},
		{ID: "b7c1-11", Sequence: 11, CardLabel: "SKUA_A002", Rule: "stills", Started: at(13, 58, 2), Ended: at(14, 11, 40), Verdict: state.Release, Reason: "2 proven copies stand on gannet and fulmar",
			Verify: "read-back", Checksum: "xxh128", Files: 1204, Bytes: 41.3e9, RefersTo: []string{"b7c1-4"}, LeftOut: []string{".Trashes/ (ignored by the policy)", "DCIM/LATEST (a link)"},
			Copies: two(state.Copy{Folder: "2026-11-25/skerry-2-SKUA_A002-1358", Phase: state.CopyProven, FilesProven: 1204, BytesProven: 41.3e9, BytesWritten: 41.3e9},
				state.Copy{Folder: "2026-11-25/skerry-2-SKUA_A002-1358", Phase: state.CopyProven, FilesProven: 1204, BytesProven: 41.3e9, BytesWritten: 41.3e9})},
		{ID: "b7c1-10", Sequence: 10, CardLabel: "TERN_CLIPS", Rule: "clips", Started: at(12, 1, 0), Ended: at(12, 40, 0), Verdict: state.Hold, Reason: "1 proven copy stands; needs 1 more drive",
			Verify: "read-back", Checksum: "xxh128", Files: 14, Bytes: 96e9,
			Copies: two(state.Copy{Phase: state.CopyProven, Folder: "2026-11-25/skerry-2-TERN_CLIPS-1201", FilesProven: 14}, state.Copy{Phase: state.CopyRefused, Reason: "it lacks 11.0 GB of room above its reserve"})},
		{ID: "b7c1-9", Sequence: 9, CardLabel: "AUK_B001", Rule: "stills", Started: at(11, 2, 0), Ended: at(11, 9, 30), Verdict: state.Hold, Reason: "2 files could not be read whole: 29,704,192 bytes missing (\"DCIM/100SKERR/AUK_0007.CR\" and 1 more)",
			Verify: "read-back", Checksum: "xxh128", Files: 310, Bytes: 9.8e9,
			Salvaged: []state.Salvage{
				{Path: "DCIM/100SKERR/AUK_0007.CR", As: "DCIM/100SKERR/AUK_0007.CR.salvaged", SizeBytes: 31e6, MissingBytes: 4608,
					Missing: []state.ByteRange{{From: 4096, To: 8192}, {From: 65536, To: 66048}}, MoreRanges: 0},
				{Path: "DCIM/100SKERR/AUK_0011.CR", SizeBytes: 29_699_584, MissingBytes: 29_699_584, Missing: []state.ByteRange{{To: 29_699_584}}},
			},
			Copies: two(state.Copy{Phase: state.CopyIncomplete, Folder: "2026-11-25/skerry-2-AUK_B001-1102.incomplete", Reason: "2 files could not be read whole: 29,704,192 bytes missing"}, state.Copy{Phase: state.CopyUnfinished, Reason: "the drive was pulled", BytesWritten: 5e9, BytesProven: 4e9})},
	}
}

// filled returns the sample with every string below it replaced by text(), so
// that a field added later is covered without anyone thinking of it. Strings
// that choose between shapes are kept: they never come from a device.
func filled(text func() string) *state.State {
	s := sampleState()
	keep := map[reflect.Type]bool{
		reflect.TypeFor[state.Phase](): true, reflect.TypeFor[state.CardPhase](): true, reflect.TypeFor[state.Verdict](): true,
		reflect.TypeFor[state.HoldKind](): true, reflect.TypeFor[state.CopyPhase](): true, reflect.TypeFor[state.Code](): true,
		reflect.TypeFor[time.Time](): true,
	}
	var walk func(v reflect.Value)
	walk = func(v reflect.Value) {
		switch {
		case keep[v.Type()]:
		case v.Kind() == reflect.String:
			v.SetString(text())
		case v.Kind() == reflect.Struct:
			for i := range v.NumField() {
				if v.Type().Field(i).Name != "Decision" {
					walk(v.Field(i))
				}
			}
		case v.Kind() == reflect.Slice:
			for i := range v.Len() {
				walk(v.Index(i))
			}
		}
	}
	walk(reflect.ValueOf(s).Elem())
	return s
}
