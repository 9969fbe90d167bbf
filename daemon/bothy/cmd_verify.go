package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"bothy/daemon"
	"bothy/daemon/mhl"
)

// verifyResult is the object that 'bothy verify --json' prints. Its keys are part
// of the published contract.
type verifyResult struct {
	Proven  bool           `json:"proven"` // all folders are
	Folders []verifyFolder `json:"folders"`
}

type verifyFolder struct {
	Folder   string          `json:"folder"` // absolute
	Proven   bool            `json:"proven"`
	Files    int             `json:"files"`
	Bytes    int64           `json:"bytes"`
	Findings []verifyFinding `json:"findings"` // never null
	Recorded string          `json:"recorded"` // manifest that was appended, below the folder
	Error    string          `json:"error"`    // why the folder could not be judged
}

type verifyFinding struct {
	Kind     string `json:"kind"`
	Path     string `json:"path"`
	Sentence string `json:"sentence"`
}

func verifyCommand(c console) *cobra.Command {
	var asJSON, record bool
	cmd := command(&cobra.Command{
		Use:   "verify FOLDER... [flags]",
		Short: "Prove copies again from their manifests",
		Long: `Verify reads every file of each FOLDER from its medium, past the page cache, and
compares it with every checksum that the folder's ASC MHL history knows. It finds
changed, missing and extra files and damaged manifests. It needs nothing but the
folder and works on any machine. A folder that calls itself unfinished or
incomplete is verified too and said to be so; it is no proven copy.

Exit code 0: all is proven. 1: it is not. 2: a FOLDER is not there; nothing was
verified.`,
		Example: `  bothy verify /mnt/bay-1/2026-11-25/*
  bothy verify --record --json /mnt/bay-1/2026-11-25/skerry-2-SKUA_003-143100`,
	}, someOf("folder of a copy, the one that holds 'ascmhl'"), func(cmd *cobra.Command, args []string) error {
		for _, folder := range args {
			if info, err := os.Stat(folder); err != nil {
				return refuse("name the folder of a copy, the one that holds 'ascmhl'", "verify: %w", err)
			} else if !info.IsDir() {
				return refuse("name the folder of a copy, the one that holds 'ascmhl'", "verify: %s is no folder", printable(folder))
			}
		}
		return verify(cmd.Context(), c, args, record, asJSON)
	})
	cmd.Flags().BoolVar(&record, "record", false, "append a generation to the history that says what was verified, if all is proven")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object and nothing else on standard output")
	return cmd
}

// verify goes on after a folder that fails: one bad copy does not hide others.
func verify(ctx context.Context, c console, folders []string, record, asJSON bool) error {
	all := verifyResult{Proven: true}
	bar := newGauge(c)
	for _, folder := range folders {
		opts := daemon.VerifyOptions{Record: record, Creator: thisProgram()}
		var read int64
		opts.Progress = func(bytes int64) {
			read += bytes
			bar.count("verify "+printable(folder), read)
		}
		rep, err := daemon.VerifyFolder(ctx, folder, opts)
		bar.clear()
		if errors.Is(err, context.Canceled) {
			return err
		}
		one := verifyFolderOf(rep, err)
		all.Proven = all.Proven && one.Proven
		all.Folders = append(all.Folders, one)
		if !asJSON {
			printVerify(c.out, one)
		}
	}
	if asJSON {
		if err := json.NewEncoder(c.out).Encode(all); err != nil {
			return fmt.Errorf("write the result: %w", err)
		}
	}
	if !all.Proven {
		return notAll()
	}
	return nil
}

func verifyFolderOf(rep daemon.VerifyReport, err error) verifyFolder {
	one := verifyFolder{
		Folder: rep.Folder, Proven: err == nil && rep.Proven(), Files: rep.Files, Bytes: rep.Bytes,
		Findings: []verifyFinding{}, Recorded: rep.Recorded,
	}
	if err != nil {
		one.Error = err.Error()
	}
	for _, f := range rep.Findings {
		one.Findings = append(one.Findings, verifyFinding(f))
	}
	return one
}

func printVerify(w io.Writer, v verifyFolder) {
	for _, f := range v.Findings {
		where := v.Folder
		if f.Path != "" {
			where += "/" + f.Path
		}
		fmt.Fprintf(w, "%s: %s: %s\n", f.Kind, printable(where), printable(f.Sentence))
	}
	switch {
	case v.Error != "":
		fmt.Fprintf(w, "not judged: %s\n", printable(v.Error))
	case !v.Proven:
		fmt.Fprintf(w, "NOT PROVEN: %s: %s\n", printable(v.Folder), count(len(v.Findings), "finding"))
	default:
		fmt.Fprintf(w, "proven: %s: %s, %s\n", printable(v.Folder), count(v.Files, "file"), humanBytes(v.Bytes))
	}
	if v.Recorded != "" {
		fmt.Fprintf(w, "recorded: %s\n", printable(v.Recorded))
	}
}

// thisProgram is what a manifest says of its maker.
func thisProgram() mhl.Creator {
	host, err := os.Hostname()
	if err != nil {
		host = "unknown"
	}
	return mhl.Creator{Tool: "Bothy", Version: version(), Hostname: host}
}
