package status

import (
	"bufio"
	"fmt"
	"io"
)

// writeText writes lines in the manner of Text: no line begins with what a medium
// calls itself.
func writeText(w io.Writer, more bool, write func(*bufio.Writer)) error {
	out := bufio.NewWriter(w)
	write(out)
	if more {
		fmt.Fprintln(out, "and there are more; ask for less, or raise --limit")
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write answer: %w", err)
	}
	return nil
}

// DaysText writes days for a terminal, with their offloads or without.
func DaysText(w io.Writer, list *DayList, offloads bool) error {
	return writeText(w, list.More, func(out *bufio.Writer) {
		for _, d := range list.Days {
			fmt.Fprintln(out, dayTitle(d))
			for _, o := range d.Offloads {
				if offloads {
					textStored(out, o)
				} else {
					para(out, "card "+clean(labelled(o.CardLabel)))
				}
			}
		}
	})
}

// MissingText writes what a drive lacks.
func MissingText(w io.Writer, list *MissingList) error {
	return writeText(w, list.More, func(out *bufio.Writer) {
		if len(list.Offloads) == 0 {
			fmt.Fprintf(out, "drive %s lacks no offload that others have\n", clean(list.DriveName))
			return
		}
		fmt.Fprintf(out, "drive %s lacks %s\n", clean(list.DriveName), count(len(list.Offloads), "offload", "offloads"))
		for _, o := range list.Offloads {
			textStored(out, o)
		}
	})
}

func textStored(out *bufio.Writer, o Stored) {
	v := viewStored(o)
	para(out, v.Word+" card "+v.Title+": "+v.Facts)
	for _, p := range v.Places {
		para(out, "    "+p)
	}
}

// FilesText writes files and where they are.
func FilesText(w io.Writer, list *FileList) error {
	return writeText(w, list.More, func(out *bufio.Writer) {
		if len(list.Files) == 0 {
			fmt.Fprintln(out, foundWords(0, false))
		}
		for _, f := range list.Files {
			v := viewFile(f)
			fmt.Fprintf(out, "file %s\n", v.Title)
			para(out, v.Facts)
			for _, p := range v.Places {
				para(out, p)
			}
		}
	})
}

// VerdictsText writes the verdicts that an offload had.
func VerdictsText(w io.Writer, list *VerdictList) error {
	return writeText(w, false, func(out *bufio.Writer) {
		fmt.Fprintf(out, "offload %s of card %s\n", clean(list.OffloadID), clean(labelled(list.CardLabel)))
		if len(list.Verdicts) == 0 {
			para(out, "no verdict was given yet")
		}
		for _, v := range list.Verdicts {
			at := stamp(v.At)
			switch {
			case at == "":
				at = "at a moment that is not known"
			case !v.ClockTrusted:
				at += " by a clock that is not synchronised"
			}
			word := "hold"
			if v.Verdict == "release" {
				word = "release"
			}
			para(out, at+": "+word+reasonWords(v))
		}
	})
}

func reasonWords(v PastVerdict) string {
	s := ""
	if v.Reason != "" {
		s = ": " + clean(v.Reason)
	}
	switch v.Status {
	case "open":
		s += " (work went on)"
	case "void":
		s += " (void: another card got in between)"
	}
	return s
}

// CardsText writes the cards that came, each once, the newest first.
func CardsText(w io.Writer, list *DayList) error {
	type card struct {
		times, files int
		bytes        int64
		newest       string
	}
	cards, order := map[string]*card{}, []string(nil)
	for _, d := range list.Days {
		for _, o := range d.Offloads {
			c := cards[o.CardLabel]
			if c == nil {
				c = &card{newest: d.Day}
				cards[o.CardLabel] = c
				order = append(order, o.CardLabel)
			}
			c.times++
			c.files += o.Files
			c.bytes += o.SizeBytes
		}
	}
	return writeText(w, list.More, func(out *bufio.Writer) {
		for _, label := range order {
			c := cards[label]
			newest := ""
			if c.newest != "" {
				newest = "last on " + c.newest
			}
			fmt.Fprintf(out, "card %s: %s\n", clean(labelled(label)),
				facts(count(c.times, "offload", "offloads"), count(c.files, "file", "files"), size(c.bytes), newest))
		}
	})
}
