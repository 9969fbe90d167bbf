package udev

import (
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestDiff(t *testing.T) {
	t.Parallel()
	base := Device{Name: "sdb", DiskSeq: 1, SizeBytes: 512, Major: 8, Minor: 16, Label: "A", DiskKey: "usb:x"}
	change := func(f func(*Device)) Device { d := base; f(&d); return d }
	tests := []struct {
		name    string
		after   Device
		swapped bool
		changed bool
	}{
		{"the same", base, false, false},
		{"another sequence number", change(func(d *Device) { d.DiskSeq = 2 }), true, false},
		{"another size", change(func(d *Device) { d.SizeBytes = 0 }), true, false},
		{"another device number", change(func(d *Device) { d.Minor = 32 }), true, false},
		{"another disk", change(func(d *Device) { d.DiskKey = "usb:y" }), true, false},
		{"disk not known yet", change(func(d *Device) { d.DiskKey = "" }), false, true},
		{"another label", change(func(d *Device) { d.Label = "B" }), false, true},
		{"a property", change(func(d *Device) { d.Properties = map[string]string{"A": "1"} }), false, true},
		{"a partition", change(func(d *Device) { d.Partitions = []string{"sdb1"} }), false, true},
		{"read-only", change(func(d *Device) { d.ReadOnly = true }), false, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			var want Change
			switch {
			case tt.swapped:
				want = Change{Removed: []Device{base}, Added: []Device{tt.after}}
			case tt.changed:
				want.Changed = []Device{tt.after}
			}
			got := Diff([]Device{base}, []Device{tt.after})
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("change (-want +got):\n%s", diff)
			}
			if got.Empty() != (!tt.swapped && !tt.changed) {
				t.Errorf("Empty = %v", got.Empty())
			}
		})
	}
}

var someDevices = rapid.Custom(func(t *rapid.T) []Device {
	device := rapid.Custom(func(t *rapid.T) Device {
		return Device{
			Name:      rapid.SampledFrom([]string{"sda", "sdb", "sdb1", "sdb2", "sdc", "loop0"}).Draw(t, "name"),
			DiskSeq:   rapid.Uint64Range(0, 2).Draw(t, "seq"),
			SizeBytes: rapid.Int64Range(0, 1).Draw(t, "size"),
			Label:     rapid.SampledFrom([]string{"", "A", "B"}).Draw(t, "label"),
			DiskKey:   rapid.SampledFrom([]string{"", "k", "l"}).Draw(t, "key"),
			ReadOnly:  rapid.Bool().Draw(t, "ro"),
			Holders:   rapid.SliceOfN(rapid.SampledFrom([]string{"dm-0", "dm-1"}), 0, 2).Draw(t, "holders"),
		}
	})
	list := rapid.SliceOfNDistinct(device, 0, 6, func(d Device) string { return d.Name }).Draw(t, "devices")
	slices.SortFunc(list, func(a, b Device) int { return strings.Compare(a.Name, b.Name) })
	return list
})

// apply does to a list what a Change says; it shares no code with Diff.
func apply(devices []Device, c Change) []Device {
	m := map[string]Device{}
	for _, d := range devices {
		m[d.Name] = d
	}
	for _, d := range c.Removed {
		delete(m, d.Name)
	}
	for _, d := range append(slices.Clone(c.Changed), c.Added...) {
		m[d.Name] = d
	}
	list := []Device{}
	for _, d := range m {
		list = append(list, d)
	}
	slices.SortFunc(list, func(a, b Device) int { return strings.Compare(a.Name, b.Name) })
	return list
}

func TestDiff_appliedGivesTheNewList(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		before, after := someDevices.Draw(t, "before"), someDevices.Draw(t, "after")
		c := Diff(before, after)
		if diff := cmp.Diff(after, apply(before, c)); diff != "" {
			t.Fatalf("list (-want +got):\n%s", diff)
		}
		if !Diff(after, after).Empty() {
			t.Fatal("a list differs from itself")
		}
		added := map[string]Device{}
		for _, d := range c.Added {
			added[d.Name] = d
		}
		// Nothing that is another medium may hide among Changed.
		for _, now := range after {
			for _, then := range before {
				other := then.DiskSeq != now.DiskSeq || then.SizeBytes != now.SizeBytes
				if _, ok := added[now.Name]; then.Name == now.Name && other && !ok {
					t.Fatalf("%+v became %+v and is not Added", then, now)
				}
			}
		}
		for _, list := range [][]Device{c.Added, c.Changed, c.Removed} {
			if !slices.IsSortedFunc(list, func(a, b Device) int { return strings.Compare(a.Name, b.Name) }) {
				t.Fatalf("not sorted: %v", list)
			}
		}
	})
}

// Every field of Device is compared by Diff: a field added later must be, too.
func TestDiff_everyField(t *testing.T) {
	t.Parallel()
	for i := range reflect.TypeFor[Device]().NumField() {
		field := reflect.TypeFor[Device]().Field(i)
		d := Device{Name: "sda"}
		v := reflect.ValueOf(&d).Elem().Field(i)
		switch v.Kind() {
		case reflect.String:
			v.SetString("other")
		case reflect.Bool:
			v.SetBool(true)
		case reflect.Int, reflect.Int64:
			v.SetInt(1)
		case reflect.Uint32, reflect.Uint64:
			v.SetUint(1)
		case reflect.Slice:
			v.Set(reflect.ValueOf([]string{"x"}))
		case reflect.Map:
			v.Set(reflect.ValueOf(map[string]string{"K": "v"}))
		default:
			t.Fatalf("%s: a kind this test does not know", field.Name)
		}
		if Diff([]Device{{Name: "sda"}}, []Device{d}).Empty() {
			t.Errorf("Diff does not see %s", field.Name)
		}
	}
}
