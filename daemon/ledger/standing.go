package ledger

import (
	"context"
	"database/sql"
	"slices"
	"strings"
)

// locate tells of files where they are. Every row that this rests on is believed
// only with its seal.
func locate(ctx context.Context, tx *sql.Tx, files []fileRow) ([]FoundFile, error) {
	if len(files) == 0 {
		return nil, nil
	}
	var seqs []int64
	for _, f := range files {
		seqs = append(seqs, f.seq)
	}
	slices.Sort(seqs)
	seqs = slices.Compact(seqs)
	const these = "SELECT value FROM json_each(?)"
	rows, err := queryAll(ctx, tx, scanOffloads, "SELECT "+offloadColumns+" FROM offloads WHERE seq IN ("+these+")", jsonNumbers(seqs))
	if err != nil {
		return nil, err
	}
	offloads, err := withCopies(ctx, tx, rows, these, jsonNumbers(seqs))
	if err != nil {
		return nil, err
	}
	bySeq := make(map[int64]Whereabouts, len(offloads))
	for _, w := range offloads {
		bySeq[w.Seq] = w
	}
	drives, err := drivesByNumber(ctx, tx)
	if err != nil {
		return nil, err
	}
	proofs, err := proofsOf(ctx, tx, files, drives)
	if err != nil {
		return nil, err
	}
	list := make([]FoundFile, len(files))
	for i, f := range files {
		w, ok := bySeq[f.seq]
		if !ok {
			return nil, broken("files", f.file.Path)
		}
		list[i] = FoundFile{File: f.file, Offload: w.Offload, On: standings(w, proofs[f.number], drives)}
	}
	return list, nil
}

// standings joins the copies of an offload with the proofs of one of its files,
// which are by drive id.
func standings(w Whereabouts, proofs map[string]Moment, drives map[int64]Drive) (list []Standing) {
	names := make(map[string]string, len(drives))
	for _, d := range drives {
		names[d.ID] = d.Name
	}
	for _, c := range w.Copies {
		at, proven := proofs[c.DriveID]
		list = append(list, Standing{c.DriveID, names[c.DriveID], c.Folder, c.Status, proven, at})
	}
	for id, at := range proofs {
		if !slices.ContainsFunc(w.Copies, func(c Copy) bool { return c.DriveID == id }) {
			list = append(list, Standing{DriveID: id, DriveName: names[id], Proven: true, ProvenAt: at})
		}
	}
	slices.SortFunc(list, func(a, b Standing) int { return strings.Compare(a.DriveID, b.DriveID) })
	return list
}

func drivesByNumber(ctx context.Context, q queryer) (map[int64]Drive, error) {
	rows, err := queryAll(ctx, q, func(rows *sql.Rows) (driveRow, error) { return scanDrive(rows) },
		"SELECT "+driveColumns+" FROM drives")
	drives := make(map[int64]Drive, len(rows))
	for _, r := range rows {
		drives[r.number] = r.drive
	}
	return drives, err
}

// proofsOf returns when files were proven, by the file's number and the drive's id.
func proofsOf(ctx context.Context, tx *sql.Tx, files []fileRow, drives map[int64]Drive) (map[int64]map[string]Moment, error) {
	numbers, seals := make([]int64, len(files)), make(map[int64]fileRow, len(files))
	for i, f := range files {
		numbers[i], seals[f.number] = f.number, f
	}
	type line struct{ file, drive, proof, seal int64 }
	lines, err := queryAll(ctx, tx, func(rows *sql.Rows) (l line, err error) {
		err = rows.Scan(&l.file, &l.drive, &l.proof, &l.seal)
		return l, err
	}, "SELECT p.file_no, p.drive_no, p.proof_no, p.seal FROM json_each(?) j CROSS JOIN proven p ON p.file_no = j.value", jsonNumbers(numbers))
	if err != nil {
		return nil, err
	}
	all, moments := make(map[int64]map[string]Moment, len(files)), map[int64]Moment{}
	for _, l := range lines {
		file, drive := seals[l.file], drives[l.drive]
		if l.seal != proofSeal(file.seal, drive.ID, l.proof) {
			return nil, broken("proven", file.file.Path+" on "+drive.ID)
		}
		at, known := moments[l.proof]
		if !known {
			if at, err = proofMoment(ctx, tx, l.proof); err != nil {
				return nil, err
			}
			moments[l.proof] = at
		}
		if all[l.file] == nil {
			all[l.file] = map[string]Moment{}
		}
		all[l.file][drive.ID] = at
	}
	return all, nil
}
