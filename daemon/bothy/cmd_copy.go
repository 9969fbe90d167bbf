package main

import (
	"encoding/json"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"bothy/daemon"
	"bothy/daemon/state"
	"bothy/daemon/status"
)

func copyCommand(c console) *cobra.Command {
	var req daemon.CopyRequest
	var asJSON bool
	cmd := command(&cobra.Command{
		Use:   "copy SRC --to DIR [--to DIR ...] [flags]",
		Short: "Off-load one folder by hand",
		Long: `Copy makes one offload of the folder SRC to every DIR, through the very engine
the daemon uses: SRC is read once, every copy is read back from its medium and
compared, and gets a manifest. Nothing that is in a DIR already is touched.

The verdict counts distinct physical disks: two folders of one disk are two
proven copies and still 'hold', with that reason.

Of a file that SRC cannot give whole, what can be read is saved beside it as
NAME.salvaged, with zeros for the missing bytes. Which those are stands in the
manifest's comment, in the result, and as 'salvaged' in the JSON object; the
copy's folder ends in '.incomplete', and the verdict is hold.

On the way standard error says how far all copies are together, how fast SRC is
read, and about how long copying and proof still take.

Exit code 0: all copies are proven. 1: it ended, and not all are. 2: it was
refused before the first byte.`,
		Example: `  bothy copy /media/card --to /mnt/one --to /mnt/two
  bothy copy ./card --to /mnt/one --verify read-back-twice --json | jq .verdict`,
	}, named("folder to copy from"), func(cmd *cobra.Command, args []string) error {
		if len(req.To) == 0 {
			return refuse("name at least one folder with --to DIR", "copy: there is nowhere to copy to")
		}
		req.Source = args[0]
		return copyByHand(cmd, c, req, asJSON)
	})
	f := cmd.Flags()
	f.StringArrayVar(&req.To, "to", nil, "copy to this `DIR`; may be given several times")
	f.StringVar(&req.Verify, "verify", "read-back", "`LEVEL` of proof: size, read-back or read-back-twice")
	f.StringVar(&req.Checksum, "checksum", "xxh128", "checksum `NAME`: xxh128, xxh64, xxh3, md5, sha1 or c4")
	f.BoolVar(&asJSON, "json", false, "print one JSON object and nothing else on standard output")
	return cmd
}

func copyByHand(cmd *cobra.Command, c console, req daemon.CopyRequest, asJSON bool) error {
	bar := newGauge(c)
	if !asJSON || c.errTerminal {
		req.Progress = func(p daemon.CopyProgress) { showCopy(bar, p) }
	}
	req.Version = version()
	rep, err := daemon.CopyByHand(cmd.Context(), req)
	bar.clear()
	refused := errors.Is(err, daemon.ErrRefused)
	out := copyResultOf(rep, err)
	if asJSON {
		if encErr := json.NewEncoder(c.out).Encode(out); encErr != nil {
			return fmt.Errorf("write the result: %w", encErr)
		}
	} else if !refused {
		printCopy(c.out, out)
	}
	switch {
	case refused:
		return refuse("nothing was written", "copy: %s", printable(err.Error()))
	case err != nil:
		return fmt.Errorf("copy: %w", err)
	case !rep.AllProven():
		return notAll()
	}
	return nil
}

// showCopy draws how far all copies are together, how long they take and how
// fast the source is read.
func showCopy(bar *gauge, p daemon.CopyProgress) {
	if len(p.Copies) == 0 {
		return
	}
	var notes []string
	if p.BytesPerSecond > 0 {
		notes = append(notes, humanBytes(p.BytesPerSecond)+"/s")
	}
	if left := status.TimeLeft(p.Left); left != "" {
		notes = append(notes, left)
	}
	bar.part("copying and proving", p.Done, p.Bytes, notes...)
}

// copyResultOf is the published form of a report. A copy that was refused as a
// whole is a hold like any other.
func copyResultOf(rep daemon.CopyReport, err error) copyResult {
	r := copyResult{
		Verdict: string(rep.Verdict), Reason: rep.Reason, Bytes: rep.Bytes, Files: rep.Files,
		Seconds: rep.Elapsed.Seconds(), Copies: []copyLine{}, leftOut: rep.LeftOut,
		Salvaged: status.NewSalvages(rep.Salvaged),
	}
	for _, s := range rep.Salvaged {
		r.notWhole = append(r.notWhole, s.String())
	}
	if err != nil || rep.Verdict != state.Release {
		r.Verdict = string(state.Hold)
	}
	if r.Reason == "" && err != nil {
		r.Reason = err.Error()
	}
	for _, c := range rep.Copies {
		r.Copies = append(r.Copies, copyLine{Drive: c.Drive, Folder: c.Folder, State: string(c.State), Reason: c.Reason})
	}
	return r
}
