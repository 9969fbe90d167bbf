package light

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"
)

const greenLED = "green:status"

// start plugs one LED and returns a writer that is closed with the test.
func start(t *testing.T, triggers ...string) (*kernel, *Writer) {
	t.Helper()
	k := newKernel(t, triggers...)
	k.plug(greenLED, 255)
	w := newWriter(k)
	t.Cleanup(func() { _ = w.Close() })
	return k, w
}

func apply(t *testing.T, w *Writer, look Look) {
	t.Helper()
	for name, err := range w.Apply(map[string]Look{greenLED: look}) {
		t.Fatalf("%s: %v", name, err)
	}
}

// attributes is what can be seen of the LED.
func attributes(k *kernel) map[string]string {
	seen := map[string]string{"trigger": k.trigger(greenLED)}
	for _, name := range []string{"brightness", "pattern", "delay_on", "delay_off"} {
		if value := strings.TrimSpace(k.get(greenLED, name)); value != "" {
			seen[name] = value
		}
	}
	return seen
}

func TestApply_showsEverySignal(t *testing.T) {
	t.Parallel()
	for _, test := range []struct {
		name     string
		triggers []string
		signal   Signal
		want     map[string]string
	}{
		{"off", []string{"timer"}, Off, map[string]string{"trigger": "none", "brightness": "0"}},
		{"steady", []string{"timer"}, Steady, map[string]string{"trigger": "none", "brightness": "255"}},
		{"slow by pattern", []string{"timer", "pattern"}, Slow, map[string]string{"trigger": "pattern",
			"brightness": "128", "pattern": "255 1000 255 0 0 1000 0 0"}},
		{"fast by pattern", []string{"pattern"}, Fast, map[string]string{"trigger": "pattern",
			"brightness": "128", "pattern": "255 250 255 0 0 250 0 0"}},
		{"slow by timer", []string{"timer"}, Slow, map[string]string{"trigger": "timer",
			"brightness": "255", "delay_on": "1000", "delay_off": "1000"}},
		{"fast by timer", []string{"heartbeat", "timer"}, Fast, map[string]string{"trigger": "timer",
			"brightness": "255", "delay_on": "250", "delay_off": "250"}},
		{"fast by hand", []string{"heartbeat"}, Fast, map[string]string{"trigger": "none", "brightness": "255"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			k, w := start(t, append(test.triggers, "kbd-capslock")...)
			k.setTrigger(greenLED, "kbd-capslock") // somebody else's
			k.put(greenLED, "brightness", "128")
			apply(t, w, Look{test.signal, NoColour})
			if diff := cmp.Diff(test.want, attributes(k)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			must(t, w.Close())
			if diff := cmp.Diff(map[string]string{"trigger": "none", "brightness": "0"}, attributes(k)); diff != "" {
				t.Errorf("after Close (-want +got):\n%s", diff)
			}
		})
	}
}

func TestApply_everyChange(t *testing.T) {
	t.Parallel()
	signals := []Signal{Off, Steady, Slow, Fast}
	for _, triggers := range [][]string{{"pattern", "timer"}, {"timer"}, {}} {
		k, w := start(t, triggers...)
		for _, from := range signals {
			for _, to := range signals {
				fresh := newKernel(t, triggers...)
				fresh.plug(greenLED, 255)
				direct := newWriter(fresh)
				apply(t, w, Look{from, NoColour})
				apply(t, w, Look{to, NoColour})
				apply(t, direct, Look{to, NoColour})
				got, want := attributes(k), attributes(fresh)
				if got["trigger"] == "pattern" { // the level is the pattern's business
					delete(got, "brightness")
					delete(want, "brightness")
				}
				if diff := cmp.Diff(want, got); diff != "" {
					t.Errorf("with %q from %s to %s (-want +got):\n%s", triggers, from, to, diff)
				}
				must(t, direct.Close())
			}
		}
	}
}

func TestApply_writesNothingWhenNothingChanged(t *testing.T) {
	t.Parallel()
	for _, triggers := range [][]string{{"pattern", "timer"}, {"timer"}, {}} {
		for _, signal := range []Signal{Off, Steady, Slow, Fast} {
			k, w := start(t, triggers...)
			k.plug("other", 1)
			apply(t, w, Look{signal, NoColour})
			if len(k.newWrites()) == 0 {
				t.Errorf("%s: nothing was written at first", signal)
			}
			apply(t, w, Look{signal, NoColour})
			for _, write := range k.newWrites() {
				if !strings.HasPrefix(write, greenLED+"/brightness=") || len(triggers) > 0 || signal == Off || signal == Steady {
					t.Errorf("%s with %q: needless %s", signal, triggers, write)
				}
			}
			must(t, w.Close())
			for _, write := range k.newWrites() {
				if strings.HasPrefix(write, "other/") {
					t.Errorf("another's LED was written: %s", write)
				}
			}
		}
	}
}

func TestApply_setsRightWhatSomebodyChanged(t *testing.T) {
	t.Parallel()
	for name, meddle := range map[string]func(k *kernel){
		"another trigger": func(k *kernel) { k.setTrigger(greenLED, "heartbeat") },
		"no trigger":      func(k *kernel) { k.setTrigger(greenLED, "none") },
		"unplugged and plugged": func(k *kernel) {
			k.unplug(greenLED)
			k.plug(greenLED, 127)
		},
		"another pace": func(k *kernel) {
			if k.trigger(greenLED) == "timer" {
				k.put(greenLED, "delay_on", "10")
			}
		},
	} {
		for _, signal := range []Signal{Steady, Slow} {
			k, w := start(t, "timer", "heartbeat")
			apply(t, w, Look{signal, NoColour})
			meddle(k)
			apply(t, w, Look{signal, NoColour})
			want := map[string]string{"trigger": "none", "brightness": k.get(greenLED, "max_brightness")}
			if signal == Slow {
				want = map[string]string{"trigger": "timer", "brightness": want["brightness"], "delay_on": "1000", "delay_off": "1000"}
			}
			if diff := cmp.Diff(want, attributes(k)); diff != "" {
				t.Errorf("%s, %s (-want +got):\n%s", name, signal, diff)
			}
		}
	}
}

func TestApply_fallsBackOnErrors(t *testing.T) {
	t.Parallel()
	fault := &fs.PathError{Op: "write", Path: "x", Err: syscall.EIO}
	for _, test := range []struct {
		name    string
		arrange func(k *kernel)
		trigger string
	}{
		{"pattern cannot be written", func(k *kernel) { k.broken[greenLED+"/pattern"] = fault }, "timer"},
		{"pattern has no effect", func(k *kernel) { k.deaf[greenLED+"/pattern"] = true }, "timer"},
		{"repeat cannot be written", func(k *kernel) { k.broken[greenLED+"/repeat"] = fault }, "timer"},
		{"and delay_off neither", func(k *kernel) {
			k.broken[greenLED+"/pattern"], k.broken[greenLED+"/delay_off"] = fault, fault
		}, "none"},
		{"and delay_on has no effect", func(k *kernel) {
			k.broken[greenLED+"/pattern"], k.deaf[greenLED+"/delay_on"] = fault, true
		}, "none"},
		{"what it reads is secret", func(k *kernel) {
			for _, name := range []string{"trigger", "pattern", "brightness"} {
				k.secret[greenLED+"/"+name] = true
			}
		}, "pattern"},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			k, w := start(t, "pattern", "timer")
			test.arrange(k)
			apply(t, w, Look{Slow, NoColour})
			if got := k.trigger(greenLED); got != test.trigger {
				t.Errorf("the trigger is %s, want %s", got, test.trigger)
			}
		})
		t.Run(test.name+", later", func(t *testing.T) {
			t.Parallel()
			k, w := start(t, "pattern", "timer")
			apply(t, w, Look{Fast, NoColour})
			k.mu.Lock()
			test.arrange(k)
			k.mu.Unlock()
			apply(t, w, Look{Slow, NoColour})
			if got := k.trigger(greenLED); got != test.trigger {
				t.Errorf("the trigger is %s, want %s", got, test.trigger)
			}
		})
	}
}

// A light that cannot be driven is reported, holds nothing up and is tried again.
func TestApply_reportsAndRetries(t *testing.T) {
	t.Parallel()
	k, w := start(t)
	all := map[string]Look{greenLED: {Steady, Green}, "missing": {Slow, Yellow}, "../outside": {Fast, Red}, "": {Fast, Red},
		"..": {Fast, Red}, ".": {Fast, Red}, "a/b": {Off, NoColour}, "dead": {Steady, Red}, "odd": {"wink", Red}, "senseless": {Steady, Red}}
	for _, outside := range []string{"../outside", "..", ".", "a/b"} { // would do, were they not refused
		k.plug(outside, 1)
	}
	k.plug("dead", 1)
	k.plug("odd", 1)
	k.plug("senseless", 1)
	k.put("senseless", "max_brightness", "0")
	k.deaf["dead/brightness"] = true
	for range 2 {
		failed := w.Apply(all)
		for name := range all {
			if got, want := failed[name] != nil, name != greenLED; got != want {
				t.Errorf("%q: %v", name, failed[name])
			}
		}
		if !errors.Is(failed["missing"], fs.ErrNotExist) {
			t.Errorf("missing: %v, want that it does not exist", failed["missing"])
		}
	}
	if k.get(greenLED, "brightness") != "255" {
		t.Error("the good light stays dark")
	}
	for _, write := range k.newWrites() {
		if strings.HasPrefix(write, ".") || strings.HasPrefix(write, "/") || strings.HasPrefix(write, "a/b/") {
			t.Errorf("written: %s", write)
		}
	}
	k.plug("missing", 3)
	delete(k.deaf, "dead/brightness")
	failed := w.Apply(map[string]Look{"missing": {Steady, Yellow}, "dead": {Steady, Red}})
	if len(failed) != 0 || k.get("missing", "brightness") != "3" || k.get("dead", "brightness") != "1" {
		t.Errorf("mended lights: %v", failed)
	}
	if k.get(greenLED, "brightness") != "0" {
		t.Error("the light that is wanted no longer is still lit")
	}
}

func TestClose_lightThatHasGone(t *testing.T) {
	t.Parallel()
	for _, signal := range []Signal{Steady, Slow} {
		k, w := start(t)
		apply(t, w, Look{signal, NoColour})
		k.unplug(greenLED)
		must(t, w.Close())
		k, w = start(t)
		apply(t, w, Look{signal, NoColour})
		k.mu.Lock()
		k.broken[greenLED+"/brightness"] = syscall.EIO
		k.mu.Unlock()
		if err := w.Close(); !errors.Is(err, syscall.EIO) {
			t.Errorf("a light that stays lit: %v", err)
		}
	}
}

// When every way failed, the next Apply begins with the best again.
func TestApply_triesBetterWaysAgain(t *testing.T) {
	t.Parallel()
	k, w := start(t, "pattern", "timer")
	k.broken[greenLED+"/trigger"] = syscall.EROFS
	failed := w.Apply(map[string]Look{greenLED: {Slow, NoColour}})
	if !errors.Is(failed[greenLED], syscall.EROFS) {
		t.Errorf("got %v, want read-only", failed[greenLED])
	}
	delete(k.broken, greenLED+"/trigger")
	apply(t, w, Look{Slow, NoColour})
	if got := k.trigger(greenLED); got != "pattern" {
		t.Errorf("the trigger is %s, want pattern", got)
	}
}

func TestApply_hue(t *testing.T) {
	t.Parallel()
	for _, test := range []struct {
		name   string
		index  []string
		colour Colour
		want   string
	}{
		{"red", []string{"red", "green", "blue"}, Red, "255 0 0"},
		{"green", []string{"red", "green", "blue"}, Green, "0 255 0"},
		{"yellow of two", []string{"blue", "green", "red"}, Yellow, "0 255 255"},
		{"yellow of its own", []string{"red", "yellow", "green"}, Yellow, "0 255 0"},
		{"amber will do", []string{"green", "red", "amber"}, Yellow, "0 0 255"},
		{"colour that it lacks", []string{"blue", "white"}, Red, "255 255"},
		{"any colour", []string{"red", "green"}, NoColour, "255 255"},
	} {
		k := newKernel(t, "timer")
		k.plug(greenLED, 255, test.index...)
		w := newWriter(k)
		for _, signal := range []Signal{Steady, Slow} {
			apply(t, w, Look{signal, test.colour})
			if got := k.get(greenLED, "multi_intensity"); got != test.want {
				t.Errorf("%s, %s: %s, want %s", test.name, signal, got, test.want)
			}
		}
		must(t, w.Close())
	}
}

// The default way to the files: below the root, one write, no file made.
func TestSysfs(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	k := &kernel{sysfs: sysfs{root}, t: t}
	k.plug(greenLED, 7)
	w := NewWriter(root)
	if failed := w.Apply(map[string]Look{"none": {Steady, Green}}); !errors.Is(failed["none"], fs.ErrNotExist) {
		t.Errorf("an LED that is not there: %v", failed)
	}
	if _, err := os.Stat(filepath.Join(root, "none")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("something was made: %v", err)
	}
	must(t, sysfs{root}.Write(greenLED, "brightness", "7"))
	if err := (sysfs{root}).Write(greenLED, "delay_on", "1"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("write to an attribute that is not there: %v", err)
	}
	got, err := sysfs{root}.Read(greenLED, "brightness")
	if err != nil || got != "7" {
		t.Errorf("read %q, %v", got, err)
	}
	must(t, w.Close())
}
