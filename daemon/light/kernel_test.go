package light

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
)

// kernel is a tree of plain files that reacts to writes as Linux does with its
// LEDs (seen in a Debian 12 guest with kernel 6.12, and in the kernel's
// Documentation/ABI/testing/sysfs-class-led*): an unknown trigger is EINVAL; the
// files of a trigger appear when it is set and go with it; the timer trigger
// begins with 500 ms; brightness 0 sets the trigger to none; values out of range
// are EINVAL.
type kernel struct {
	sysfs
	t        *testing.T
	mu       sync.Mutex
	triggers []string         // that the kernel knows besides none; guarded by mu
	broken   map[string]error // by LED/attribute: the error of writing it; guarded by mu
	deaf     map[string]bool  // by LED/attribute: a write has no effect; guarded by mu
	secret   map[string]bool  // by LED/attribute: cannot be read; guarded by mu
	writes   []string         // LED/attribute=value; guarded by mu
}

func newKernel(t *testing.T, triggers ...string) *kernel {
	return &kernel{sysfs: sysfs{filepath.Join(t.TempDir(), "leds")}, t: t, triggers: triggers,
		broken: map[string]error{}, deaf: map[string]bool{}, secret: map[string]bool{}}
}

// plug adds an LED. colours makes it one of several.
func (k *kernel) plug(led string, full int, colours ...string) {
	must(k.t, os.MkdirAll(filepath.Join(k.root, led), 0o755))
	k.put(led, "max_brightness", fmt.Sprint(full))
	k.put(led, "brightness", "0")
	k.setTrigger(led, "none")
	if len(colours) > 0 {
		k.put(led, "multi_index", strings.Join(colours, " "))
		k.put(led, "multi_intensity", strings.TrimSpace(strings.Repeat("255 ", len(colours))))
	}
}

func (k *kernel) unplug(led string) { must(k.t, os.RemoveAll(filepath.Join(k.root, led))) }

func (k *kernel) put(led, attribute, value string) {
	must(k.t, os.WriteFile(filepath.Join(k.root, led, attribute), []byte(value+"\n"), 0o644))
}

// get reads an attribute; "" when it is not there.
func (k *kernel) get(led, attribute string) string {
	value, _ := k.sysfs.Read(led, attribute)
	return value
}

func (k *kernel) setTrigger(led, name string) {
	for _, attribute := range []string{"delay_on", "delay_off", "pattern", "repeat"} {
		_ = os.Remove(filepath.Join(k.root, led, attribute))
	}
	switch name {
	case "timer":
		k.put(led, "delay_on", "500")
		k.put(led, "delay_off", "500")
	case "pattern":
		k.put(led, "pattern", "")
		k.put(led, "repeat", "-1")
	}
	list := []string{}
	for _, one := range append([]string{"none"}, k.triggers...) {
		if one == name {
			one = "[" + one + "]"
		}
		list = append(list, one)
	}
	k.put(led, "trigger", strings.Join(list, " "))
}

func (k *kernel) Read(led, attribute string) (string, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.secret[led+"/"+attribute] {
		return "", &fs.PathError{Op: "open", Path: attribute, Err: syscall.EACCES}
	}
	return k.sysfs.Read(led, attribute)
}

func (k *kernel) Write(led, attribute, value string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	key := led + "/" + attribute
	k.writes = append(k.writes, key+"="+value)
	if err := k.broken[key]; err != nil {
		return err
	}
	if _, err := k.sysfs.Read(led, attribute); err != nil {
		return err // never makes a file
	}
	if k.deaf[key] {
		return nil
	}
	invalid := &fs.PathError{Op: "write", Path: key, Err: syscall.EINVAL}
	switch attribute {
	case "trigger":
		if value != "none" && !slices.Contains(k.triggers, value) {
			return invalid
		}
		k.setTrigger(led, value)
		return nil
	case "brightness":
		if value == "0" {
			k.setTrigger(led, "none")
		}
	case "multi_intensity":
		if len(strings.Fields(value)) != len(strings.Fields(k.get(led, "multi_index"))) {
			return invalid
		}
	case "pattern":
		if len(strings.Fields(value))%2 != 0 {
			return invalid
		}
		value += " " // as the kernel prints it
	}
	k.put(led, attribute, value)
	return nil
}

// trigger returns the one in brackets.
func (k *kernel) trigger(led string) string {
	_, rest, _ := strings.Cut(k.get(led, "trigger"), "[")
	name, _, _ := strings.Cut(rest, "]")
	return name
}

// newWrites returns the writes since it was last asked.
func (k *kernel) newWrites() []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	writes := k.writes
	k.writes = nil
	return writes
}

func must(t *testing.T, errs ...error) {
	t.Helper()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
}
