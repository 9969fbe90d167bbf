package light

import (
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
)

// Without any trigger the writer switches the LED itself, at the same pace. The
// time in here is synctest's.
func TestBlink_pace(t *testing.T) {
	t.Parallel()
	for _, test := range []struct {
		signal Signal
		half   time.Duration
	}{{Slow, time.Second}, {Fast, 250 * time.Millisecond}} {
		synctest.Test(t, func(t *testing.T) {
			k, w := start(t)
			apply(t, w, Look{test.signal, NoColour})
			k.newWrites()
			for range 3 {
				for _, want := range []string{"0", "255"} {
					<-time.After(test.half - time.Nanosecond)
					synctest.Wait()
					if early := k.newWrites(); len(early) != 0 {
						t.Errorf("%s: too early: %q", test.signal, early)
					}
					<-time.After(time.Nanosecond)
					synctest.Wait()
					if diff := cmp.Diff([]string{greenLED + "/brightness=" + want}, k.newWrites()); diff != "" {
						t.Errorf("%s (-want +got):\n%s", test.signal, diff)
					}
				}
				apply(t, w, Look{test.signal, NoColour}) // changes nothing, not even the phase
			}
			must(t, w.Close())
			k.newWrites()
			<-time.After(time.Minute)
			synctest.Wait()
			if late := k.newWrites(); len(late) != 0 || k.get(greenLED, "brightness") != "0" {
				t.Errorf("%s: after Close: %q", test.signal, late)
			}
		})
	}
}

func TestBlink_stopsForAnotherSignal(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		k, w := start(t)
		for range 3 { // were one blinker to go on, it would be seen below
			apply(t, w, Look{Fast, NoColour})
			apply(t, w, Look{Slow, NoColour})
		}
		apply(t, w, Look{Steady, NoColour})
		k.newWrites()
		<-time.After(time.Minute)
		synctest.Wait()
		if late := k.newWrites(); len(late) != 0 || k.get(greenLED, "brightness") != "255" {
			t.Errorf("a blinker goes on: %q", late)
		}
		must(t, w.Close())
	})
}

// A fault in the middle of blinking shows at the next Apply, which tries again.
func TestBlink_faultIsReportedAndMended(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		k, w := start(t)
		apply(t, w, Look{Fast, NoColour})
		k.mu.Lock()
		k.broken[greenLED+"/brightness"] = syscall.ENODEV
		k.mu.Unlock()
		<-time.After(time.Second)
		synctest.Wait()
		failed := w.Apply(map[string]Look{greenLED: {Fast, NoColour}})
		if failed[greenLED] == nil || !strings.Contains(failed[greenLED].Error(), syscall.ENODEV.Error()) {
			t.Errorf("got %v, want that the device is gone", failed)
		}
		k.mu.Lock()
		clear(k.broken)
		k.mu.Unlock()
		apply(t, w, Look{Fast, NoColour})
		k.newWrites()
		<-time.After(250 * time.Millisecond)
		synctest.Wait()
		if diff := cmp.Diff([]string{greenLED + "/brightness=0"}, k.newWrites()); diff != "" {
			t.Errorf("after it was mended (-want +got):\n%s", diff)
		}
		must(t, w.Close())
	})
}

// Somebody plugs in a kernel module, or another program sets a trigger: ours
// must not fight with it in silence.
func TestBlink_seesAnotherTrigger(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		k, w := start(t, "heartbeat")
		apply(t, w, Look{Slow, NoColour})
		k.setTrigger(greenLED, "heartbeat")
		apply(t, w, Look{Slow, NoColour})
		if got := k.trigger(greenLED); got != "none" {
			t.Errorf("the trigger is %s, want none", got)
		}
		must(t, w.Close())
	})
}
