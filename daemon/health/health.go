// Package health asks drives how they are: their own assessment of themselves, as
// the program smartctl of the package smartmontools passes it on.
//
// It guarantees that an answer which tells nothing reads as unknown and never as
// good, that a drive which sleeps is not woken, and that asking ends: after
// Limit the program and all it has started are killed, and no more than MaxBytes of
// what it says are taken. What a drive says is hostile input and bounded.
//
// It decides nothing: a drive that says it fails may be read and written on, and
// whether a copy counts is a matter of its proofs alone.
package health

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"
	"unicode"
)

// Bounds on asking.
const (
	Limit    = 10 * time.Second
	MaxBytes = 1 << 20
)

// Bounds on what is kept of an answer.
const (
	maxFailing   = 8
	maxNameRunes = 64
	minCelsius   = -60
	maxCelsius   = 150
)

// Prober asks the disk at a device node.
type Prober interface {
	Read(ctx context.Context, node string) (Reading, error)
}

// Reading is what a disk says of itself. The zero value is "nothing is known".
type Reading struct {
	Assessed bool // it has given its own assessment
	Passed   bool // that was good; false without Assessed
	// Failing names what is past its limit now, at most maxFailing.
	Failing    []string
	HasCelsius bool
	Celsius    int
}

// Known reports whether the disk has told anything of how it is; its temperature
// alone does not.
func (r Reading) Known() bool { return r.Assessed || len(r.Failing) > 0 }

// Trouble says what is the matter; empty when nothing is, or nothing is known.
func (r Reading) Trouble() string {
	var words []string
	if r.Assessed && !r.Passed {
		words = append(words, "its own assessment of itself is that it fails")
	}
	if len(r.Failing) > 0 {
		words = append(words, "past its limit now: "+strings.Join(r.Failing, ", "))
	}
	return strings.Join(words, "; ")
}

// answer is the part of smartctl's JSON that is read. Field names are from its
// documentation and, but for what needs a real disk, from its output.
type answer struct {
	Smartctl *struct {
		ExitStatus int `json:"exit_status"`
		Messages   []struct {
			Text string `json:"string"`
		} `json:"messages"`
	} `json:"smartctl"`
	Status *struct {
		Passed *bool `json:"passed"`
	} `json:"smart_status"`
	Temperature *struct {
		Current *int `json:"current"`
	} `json:"temperature"`
	Attributes *struct {
		Table []struct {
			ID         int    `json:"id"`
			Name       string `json:"name"`
			WhenFailed string `json:"when_failed"`
		} `json:"table"`
	} `json:"ata_smart_attributes"`
	NVMe *struct {
		CriticalWarning int `json:"critical_warning"`
	} `json:"nvme_smart_health_information_log"`
}

// warnings are the bits of the critical warning of the NVM Express specification.
var warnings = []string{"spare blocks", "temperature", "reliability", "read-only", "backup of its memory", "persistent memory"}

// Parse reads what smartctl printed with --json. An error means that it is not that.
func Parse(data []byte) (Reading, error) {
	var a answer
	if err := json.Unmarshal(data, &a); err != nil {
		return Reading{}, fmt.Errorf("read the answer of smartctl: %w", err)
	}
	if a.Smartctl == nil {
		return Reading{}, fmt.Errorf("read the answer of smartctl: it is none")
	}
	var r Reading
	if a.Status != nil && a.Status.Passed != nil {
		r.Assessed, r.Passed = true, *a.Status.Passed
	}
	fail := func(name string) {
		if len(r.Failing) < maxFailing {
			r.Failing = append(r.Failing, name)
		}
	}
	if a.Attributes != nil {
		for _, row := range a.Attributes.Table {
			if row.WhenFailed == "now" {
				fail(harmless(row.Name, row.ID))
			}
		}
	}
	if a.NVMe != nil {
		for bit, name := range warnings {
			if a.NVMe.CriticalWarning&(1<<bit) != 0 {
				fail(name)
			}
		}
	}
	if t := a.Temperature; t != nil && t.Current != nil && *t.Current >= minCelsius && *t.Current <= maxCelsius {
		r.HasCelsius, r.Celsius = true, *t.Current
	}
	return r, nil
}

// harmless is a name that can be shown, or the attribute's number.
func harmless(name string, id int) string {
	runes := []rune(name)
	bad := strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) || r == unicode.ReplacementChar })
	if len(runes) == 0 || bad {
		return fmt.Sprintf("attribute %d", id)
	}
	return string(runes[:min(len(runes), maxNameRunes)])
}
