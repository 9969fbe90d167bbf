package supply

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"

	"bothy/testdata/mutants"
)

// tree is a class folder: attributes by source. The names, words and units of the
// attributes are those of the kernel's Documentation/ABI/testing/sysfs-class-power;
// which of them a driver shows is invented, but for what each test names.
type tree map[string]map[string]string

func (tr tree) lay(t *testing.T) fs.FS {
	t.Helper()
	base := t.TempDir()
	for name, attributes := range tr {
		// As in the kernel, the class shows links to where the devices are.
		device := filepath.Join(base, "devices", name)
		if err := os.MkdirAll(device, 0o755); err != nil {
			t.Fatal(err)
		}
		for attribute, text := range attributes {
			if err := os.WriteFile(filepath.Join(device, attribute), []byte(text+"\n"), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		class := filepath.Join(base, "class")
		if err := os.MkdirAll(class, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(filepath.Join("..", "devices", name), filepath.Join(class, name)); err != nil {
			t.Fatal(err)
		}
	}
	return os.DirFS(filepath.Join(base, "class"))
}

var (
	mainsOn  = map[string]string{"type": "Mains", "online": "1"}
	mainsOff = map[string]string{"type": "Mains", "online": "0"}
)

func battery(more ...string) map[string]string {
	b := map[string]string{"type": "Battery"}
	for _, m := range more {
		key, value, _ := strings.Cut(m, "=")
		b[key] = value
	}
	return b
}

const noBattery = "the kernel knows of no battery of the box"

func TestRead(t *testing.T) {
	t.Parallel()
	charge := func(percent int, external ...bool) Reading {
		r := Reading{HasBattery: true, HasCharge: true, Percent: percent}
		for _, e := range external {
			r.HasExternal, r.External = true, e
		}
		return r
	}
	silent := Reading{HasBattery: true, Note: `the battery "BAT0" does not tell how full it is`}
	for name, tc := range map[string]struct {
		tree tree
		want Reading
	}{
		"laptop on its battery": {tree{"AC": mainsOff, "BAT0": battery("scope=System", "present=1", "status=Discharging", "capacity=17",
			"energy_now=8500000", "energy_full=50000000")}, charge(17, false)},
		"laptop that charges":       {tree{"AC": mainsOn, "BAT0": battery("status=Charging", "capacity=3")}, charge(3, true)},
		"full":                      {tree{"AC": mainsOn, "BAT0": battery("status=Full", "capacity=100")}, charge(100, true)},
		"mains that do not suffice": {tree{"AC": mainsOn, "BAT0": battery("status=Discharging", "capacity=3")}, charge(3, false)},
		"one full, one empties":     {tree{"BAT0": battery("capacity=100", "status=Full"), "BAT1": battery("capacity=9", "status=Discharging")}, charge(9, false)},
		"charges, says the battery": {tree{"BAT0": battery("status=Charging", "capacity=3")}, charge(3, true)},
		"a programmable supply":     {tree{"usb": {"type": "USB", "online": "2"}, "BAT0": battery("capacity=3")}, charge(3, true)},
		"of an older kernel":        {tree{"usb": {"type": "USB_PD", "online": "1"}, "BAT0": battery("capacity=3")}, charge(3, true)},
		"wireless":                  {tree{"pad": {"type": "Wireless", "online": "1"}, "BAT0": battery("capacity=3")}, charge(3, true)},
		"one feeds, one does not":   {tree{"AC": mainsOff, "usb": {"type": "USB", "online": "1"}, "BAT0": battery("capacity=3")}, charge(3, true)},
		"hat with a gauge only":     {tree{"hat": battery("capacity=61")}, charge(61)},
		"hat, status not known":     {tree{"hat": battery("capacity=61", "status=Unknown")}, charge(61)},
		"not charging":              {tree{"hat": battery("capacity=61", "status=Not charging")}, charge(61)},
		"hat that says UPS":         {tree{"hat": {"type": "UPS", "capacity": "61", "status": "Discharging"}}, charge(61, false)},
		"no capacity, but energy":   {tree{"BAT0": battery("energy_now=19999999", "energy_full=100000000")}, charge(19)},
		"no capacity, but charge":   {tree{"BAT0": battery("charge_now=1500", "charge_full=2000")}, charge(75)},
		"a little more than full":   {tree{"BAT0": battery("charge_now=2010", "charge_full=2000")}, charge(100)},
		"empty":                     {tree{"BAT0": battery("capacity=0", "status=Discharging")}, charge(0, false)},

		"nothing at all":                {tree{}, Reading{Note: noBattery}},
		"mains alone":                   {tree{"AC": mainsOn}, Reading{HasExternal: true, External: true, Note: noBattery}},
		"a mouse's battery":             {tree{"mouse": battery("scope=Device", "capacity=2", "status=Discharging")}, Reading{Note: noBattery}},
		"a headset that charges":        {tree{"headset": battery("scope=Device", "capacity=2", "status=Charging"), "BAT0": battery("capacity=9")}, charge(9)},
		"an empty place":                {tree{"BAT0": battery("present=0", "capacity=0"), "AC": mainsOn}, Reading{HasExternal: true, External: true, Note: noBattery}},
		"one place is empty":            {tree{"BAT0": battery("present=0", "capacity=0"), "BAT1": battery("present=1", "capacity=80")}, charge(80)},
		"neither battery nor supply":    {tree{"x": {"type": "Fan", "capacity": "3"}, "y": {}}, Reading{Note: noBattery}},
		"a battery that says nothing":   {tree{"BAT0": battery()}, silent},
		"capacity out of range":         {tree{"BAT0": battery("capacity=101")}, silent},
		"capacity of a gauge in error":  {tree{"BAT0": battery("capacity=65535")}, silent},
		"capacity below nothing":        {tree{"BAT0": battery("capacity=-1")}, silent},
		"capacity in words":             {tree{"BAT0": battery("capacity=low")}, silent},
		"capacity with a point":         {tree{"BAT0": battery("capacity=12.5")}, silent},
		"capacity beyond numbers":       {tree{"BAT0": battery("capacity=99999999999999999999")}, silent},
		"nonsense, but energy":          {tree{"BAT0": battery("capacity=255", "energy_now=5", "energy_full=10")}, charge(50)},
		"full of nothing":               {tree{"BAT0": battery("energy_now=5", "energy_full=0")}, silent},
		"less than nothing":             {tree{"BAT0": battery("energy_now=-5", "energy_full=10")}, silent},
		"the largest numbers":           {tree{"BAT0": battery("energy_now=9223372036854775807", "energy_full=9223372036854775807")}, charge(100)},
		"a word of the class is odd":    {tree{"AC": {"type": "Mains", "online": "yes"}, "BAT0": battery("capacity=9", "status=charging")}, charge(9)},
		"several, weighted":             {tree{"BAT0": battery("capacity=10", "energy_now=1", "energy_full=10"), "BAT1": battery("capacity=90", "energy_now=81", "energy_full=90")}, charge(82)},
		"several, of which one is mute": {tree{"BAT0": battery(), "BAT1": battery("capacity=44")}, charge(44)},
		"several, not all tell energy":  {tree{"BAT0": battery("capacity=60", "energy_now=6", "energy_full=10"), "BAT1": battery("capacity=90")}, charge(60)},
		"several, in other units":       {tree{"BAT0": battery("charge_now=9", "charge_full=10"), "BAT1": battery("energy_now=3", "energy_full=10")}, charge(30)},
		"one of several charges":        {tree{"BAT0": battery("capacity=60", "status=Discharging"), "BAT1": battery("capacity=9", "status=Charging")}, charge(9, true)},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := Read(tc.tree.lay(t)); got != tc.want {
				t.Errorf("%+v, want %+v", got, tc.want)
			}
		})
	}
}

// A kernel without the class says nothing, and that is no failure.
func TestRead_noClass(t *testing.T) {
	t.Parallel()
	if got := Read(os.DirFS(filepath.Join(t.TempDir(), "none"))); got != (Reading{Note: noBattery}) {
		t.Errorf("%+v", got)
	}
}

// What cannot be read is not known, and may be the next time. An attribute that
// drivers show and cannot give does not matter where another tells.
func TestRead_unreadable(t *testing.T) {
	t.Parallel()
	base := tree{"AC": mainsOff, "BAT0": battery("status=Discharging", "capacity=17", "energy_now=1")}
	for name, known := range map[string]bool{
		"AC/type": false, "AC/scope": false, "AC/online": false, "BAT0/type": false, "BAT0/scope": false, "BAT0/present": false,
		"BAT0/status": false, "BAT0/capacity": false, "BAT0/energy_now": true, "BAT0/energy_full": true, "BAT0/charge_now": true,
	} {
		got := Read(failing{base.lay(t), name})
		if got.HasCharge != known || got.Doubtful == known || known != (got.Note == "") || !known && !strings.Contains(got.Note, errFailing.Error()) {
			t.Errorf("%s: %+v", name, got)
		}
		if got.External {
			t.Errorf("%s: something is said to feed it", name)
		}
	}
	// Whatever one does not tell: mains are there.
	got := Read(failing{tree{"AC": mainsOn, "BAT0": battery("capacity=17")}.lay(t), "BAT0/status"})
	if !got.External {
		t.Errorf("%+v", got)
	}
	if got := Read(failing{base.lay(t), "."}); got.HasCharge || !got.Doubtful {
		t.Errorf("no list: %+v", got)
	}
}

// A folder that is not the kernel's is not read without end.
func TestRead_bounds(t *testing.T) {
	t.Parallel()
	long := battery("capacity=17", "status=Discharging"+strings.Repeat(" ", 200))
	if got := Read(tree{"BAT0": long}.lay(t)); got.HasCharge || !got.Doubtful || !strings.Contains(got.Note, "longer than") {
		t.Errorf("a long attribute: %+v", got)
	}
	many := fstest.MapFS{}
	for i := range maxSources + 1 {
		many[fmt.Sprintf("BAT%d/type", i)] = &fstest.MapFile{Data: []byte("Battery\n")}
		many[fmt.Sprintf("BAT%d/capacity", i)] = &fstest.MapFile{Data: []byte("4\n")}
	}
	if got := Read(many); got.HasCharge || !got.Doubtful || !strings.Contains(got.Note, "more than 64") {
		t.Errorf("many sources: %+v", got)
	}
	delete(many, "BAT0/type")
	delete(many, "BAT0/capacity")
	if got := Read(many); got != (Reading{HasBattery: true, HasCharge: true, Percent: 4}) {
		t.Errorf("as many as there may be: %+v", got)
	}
	folder := tree{"BAT0": battery()}.lay(t)
	if got := Read(fstest.MapFS{"BAT0/type": {Data: []byte("Battery")}, "BAT0/capacity/x": {Data: []byte("3")}}); got.HasCharge || !got.Doubtful {
		t.Errorf("a folder for an attribute: %+v", got)
	}
	if got := Read(folder); got.HasCharge {
		t.Errorf("%+v", got)
	}
}

var errFailing = errors.New("input/output error")

// failing cannot open one name, as a driver that gives an error.
type failing struct {
	fs.FS
	name string
}

func (f failing) Open(name string) (fs.File, error) {
	if name == f.name {
		return nil, errFailing
	}
	return f.FS.Open(name)
}

// fuzzedAttributes are those of one supply; each seed has a text for each.
var fuzzedAttributes = []string{"type", "scope", "present", "online", "status", "capacity", "energy_now", "energy_full"}

var fuzzedSupplies = []mutants.Seed{
	{"Battery", "System", "1", "1", "Discharging", "17", "8500000", "50000000"},
	{"Mains", "", "", "1", "", "", "", ""},
	{"UPS", "Device", "0", "2", "Full", "101", "-1", "0"},
	{"Battery", "", "", "", "Not charging", "0x10", "9223372036854775807", "1"},
	{"USB_C", "\x00", "é", "1\n1", "Charging\n", "+5", " 5 ", "5_0"},
}

// Whatever one supply says, alone or beside a sound battery, what is read is plausible.
func checkRead(t testing.TB, input [][]byte) (taken bool) {
	class := fstest.MapFS{}
	for i, name := range fuzzedAttributes {
		class["a/"+name] = &fstest.MapFile{Data: input[i]}
	}
	checkReading(t, Read(class))
	class["b/type"], class["b/capacity"] = &fstest.MapFile{Data: []byte("Battery")}, &fstest.MapFile{Data: []byte("50")}
	r := Read(class)
	checkReading(t, r)
	// What is none of the box's changes nothing.
	if kind, scope := input[0], input[1]; string(bytes.TrimSpace(scope)) == "Device" && len(scope) <= maxAttribute && len(kind) <= maxAttribute &&
		r != (Reading{HasBattery: true, HasCharge: true, Percent: 50}) {
		t.Errorf("a battery of something else counts: %+v", r)
	}
	return r.Percent != 50 || r.HasExternal
}

func checkReading(t testing.TB, r Reading) {
	if r.Percent < 0 || r.Percent > 100 || r.HasCharge != (r.Note == "") || r.External && !r.HasExternal || r.Doubtful && r.HasCharge {
		t.Errorf("%+v", r)
	}
	if len(r.Note) > 600 {
		t.Errorf("a note of %d bytes", len(r.Note))
	}
}

func FuzzRead(f *testing.F) {
	for _, s := range fuzzedSupplies {
		f.Add(s[0], s[1], s[2], s[3], s[4], s[5], s[6], s[7])
	}
	f.Fuzz(func(t *testing.T, kind, scope, present, online, status, capacity, now, full string) {
		var input [][]byte
		for _, text := range []string{kind, scope, present, online, status, capacity, now, full} {
			input = append(input, []byte(text))
		}
		checkRead(t, input)
	})
}

func TestRead_mutants(t *testing.T) { mutants.Try(t, "FuzzRead", fuzzedSupplies, checkRead) }
