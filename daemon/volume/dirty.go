package volume

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// dirtyMark reads from the device whether the file system says of itself that
// it was not cleanly unmounted. It only reads. XFS has no such mark: see
// Mounter.probeDirty. What cannot be made sense of is not dirty: the mount
// itself will say what is wrong.
func dirtyMark(node, kernelName string) (bool, error) {
	read, ok := dirtyMarks[kernelName]
	if !ok {
		return false, nil
	}
	f, err := openDevice(node)
	if err != nil {
		return false, err
	}
	defer f.Close()
	dirty, err := read(f)
	if errors.Is(err, io.EOF) { // too small to be what it says
		return false, nil
	}
	return dirty, err
}

var dirtyMarks = map[string]func(io.ReaderAt) (bool, error){
	"ext4": extDirty, "btrfs": btrfsDirty, "vfat": fatDirty, "exfat": exfatDirty, "ntfs3": ntfsDirty,
}

var le = binary.LittleEndian

func readBlock(r io.ReaderAt, off int64, n int) ([]byte, error) {
	b := make([]byte, n)
	if _, err := r.ReadAt(b, off); err != nil {
		return nil, err
	}
	return b, nil
}

// extDirty: kernel documentation, ext4, super block at byte 1024: magic 0xEF53
// at 0x38, s_state at 0x3A (1 cleanly unmounted, 2 errors seen),
// s_feature_incompat at 0x60 (4: the journal needs recovery).
func extDirty(r io.ReaderAt) (bool, error) {
	b, err := readBlock(r, 1024, 1024)
	if err != nil || le.Uint16(b[0x38:]) != 0xEF53 {
		return false, err
	}
	const clean, errorsSeen, recover = 1, 2, 4
	state := le.Uint16(b[0x3A:])
	return le.Uint32(b[0x60:])&recover != 0 || state&clean == 0 || state&errorsSeen != 0, nil
}

// btrfsDirty: Btrfs on-disk format (btrfs.readthedocs.io): super block at 64
// KiB, magic at 0x40, log_root at 0x60: not 0 while a log tree waits.
func btrfsDirty(r io.ReaderAt) (bool, error) {
	b, err := readBlock(r, 64<<10, 4096)
	if err != nil || string(b[0x40:0x48]) != "_BHRfS_M" {
		return false, err
	}
	return le.Uint64(b[0x60:]) != 0, nil
}

// exfatDirty: exFAT specification (Microsoft), 3.1.13: VolumeFlags at byte 106,
// bit 1 VolumeDirty, bit 2 MediaFailure.
func exfatDirty(r io.ReaderAt) (bool, error) {
	b, err := readBlock(r, 0, 512)
	if err != nil || string(b[3:11]) != "EXFAT   " {
		return false, err
	}
	return le.Uint16(b[106:])&0b110 != 0, nil
}

// fatDirty: "FAT32 File System Specification" (Microsoft, 2000): the second
// entry of the FAT holds "cleanly shut down" (0x08000000, FAT16 0x8000) and "no
// disk errors" (0x04000000, FAT16 0x4000), both set when all is well; FAT12 has
// neither. Linux keeps its own mark in the reserved byte of the boot sector, 65
// on FAT32 and 37 otherwise, bit 0 (fs/fat/inode.c, fat_set_state).
func fatDirty(r io.ReaderAt) (bool, error) {
	b, err := readBlock(r, 0, 512)
	if err != nil || b[510] != 0x55 || b[511] != 0xAA {
		return false, err
	}
	sector, cluster := int64(le.Uint16(b[11:])), int64(b[13])
	reserved, fats := int64(le.Uint16(b[14:])), int64(b[16])
	if sector < 512 || sector > 4096 || cluster == 0 {
		return false, nil
	}
	fat, err := readBlock(r, reserved*sector, 8)
	if err != nil {
		return false, err
	}
	if le.Uint16(b[22:]) == 0 { // BPB_FATSz16 is 0 on FAT32
		const good = 0x0C000000
		return b[65]&1 != 0 || le.Uint32(fat[4:])&good != good, nil
	}
	sectors := int64(le.Uint16(b[19:]))
	if sectors == 0 {
		sectors = int64(le.Uint32(b[32:]))
	}
	rootSectors := (int64(le.Uint16(b[17:]))*32 + sector - 1) / sector
	clusters := (sectors - reserved - fats*int64(le.Uint16(b[22:])) - rootSectors) / cluster
	const fat12Clusters, good = 4085, 0xC000
	if clusters < fat12Clusters {
		return b[37]&1 != 0, nil
	}
	return b[37]&1 != 0 || le.Uint16(fat[2:])&good != good, nil
}

// ntfsDirty: file record 3 ($Volume), attribute 0x70 (volume information),
// flags at byte 10 of its value, bit 0. Offsets from memory of the layout that
// fs/ntfs3/ntfs.h of the kernel describes.
func ntfsDirty(r io.ReaderAt) (bool, error) {
	b, err := readBlock(r, 0, 512)
	if err != nil || string(b[3:11]) != "NTFS    " {
		return false, err
	}
	sector, cluster := int64(le.Uint16(b[11:])), int64(b[13])
	record := int64(int8(b[64])) * cluster * sector
	if n := int8(b[64]); n < 0 && n >= -12 {
		record = 1 << -n
	}
	if sector < 256 || sector > 4096 || cluster == 0 || cluster > 128 || record < 512 || record > 4096 {
		return false, nil
	}
	mft := int64(le.Uint64(b[48:]))
	if mft <= 0 || mft > 1<<40 {
		return false, nil
	}
	rec, err := readBlock(r, mft*cluster*sector+3*record, int(record))
	if err != nil || string(rec[:4]) != "FILE" {
		return false, err
	}
	// The flags lie in the first 510 bytes of every $Volume that was seen, so
	// the record's fix-up of sector ends is left alone.
	for off := int(le.Uint16(rec[20:])); off >= 0 && off+24 <= len(rec); {
		kind, length := le.Uint32(rec[off:]), int(le.Uint32(rec[off+4:]))
		if kind == 0x70 {
			value := off + int(le.Uint16(rec[off+20:]))
			if value+12 > len(rec) {
				return false, nil
			}
			return le.Uint16(rec[value+10:])&1 != 0, nil
		}
		if kind == 0xFFFFFFFF || length < 24 || length > len(rec) {
			return false, nil
		}
		off += length
	}
	return false, fmt.Errorf("the NTFS volume record is incomplete")
}
