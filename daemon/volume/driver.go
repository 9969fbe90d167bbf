package volume

import (
	"errors"
	"fmt"

	"golang.org/x/sys/unix"
)

// driver is how one file system is mounted.
type driver struct {
	kernelName string // what mount(2) is told
	spoken     string // what a sentence calls it
	card       string // options for a card: read nothing but what is there, replay nothing
	drive      string // options for a drive
	// probe: whether the log is dirty shows only in a plain read-only mount,
	// which a read-only device refuses when it would have to write.
	probe bool
}

// Options that more than one driver shares. errors=remount-ro is said even for
// cards: the medium itself may ask for errors=panic.
const (
	extCard   = "noload,errors=remount-ro"
	fatCommon = "utf8=1,shortname=mixed,tz=UTC,umask=0022,errors=remount-ro"
	exfat     = "iocharset=utf8,umask=0022,errors=remount-ro"
	ntfs      = "iocharset=utf8,umask=0022"
)

// drivers by the name that blkid gives a file system. What is not here is not
// mounted: a driver that few people use is no match for a hostile card.
//
// Options: kernel documentation of each file system. vfat wants utf8=1 and not
// iocharset=utf8, which would make it case sensitive. max_inline=0 keeps small
// files on Btrfs in data blocks, where direct reading reaches them. nouuid lets
// XFS mount an image of a drive that is attached too, so that its identity can
// be read and the clone be refused by name.
var drivers = map[string]driver{
	"ext2":  {kernelName: "ext4", spoken: "ext2", card: extCard, drive: "errors=remount-ro"},
	"ext3":  {kernelName: "ext4", spoken: "ext3", card: extCard, drive: "errors=remount-ro"},
	"ext4":  {kernelName: "ext4", spoken: "ext4", card: extCard, drive: "errors=remount-ro"},
	"xfs":   {kernelName: "xfs", spoken: "XFS", card: "norecovery,nouuid", drive: "nouuid", probe: true},
	"btrfs": {kernelName: "btrfs", spoken: "Btrfs", card: "rescue=nologreplay", drive: "max_inline=0"},
	"vfat":  {kernelName: "vfat", spoken: "FAT", card: fatCommon, drive: fatCommon},
	"msdos": {kernelName: "vfat", spoken: "FAT", card: fatCommon, drive: fatCommon},
	"exfat": {kernelName: "exfat", spoken: "exFAT", card: exfat, drive: exfat},
	"ntfs":  {kernelName: "ntfs3", spoken: "NTFS", card: ntfs, drive: ntfs},
	"ntfs3": {kernelName: "ntfs3", spoken: "NTFS", card: ntfs, drive: ntfs},
	"udf":   {kernelName: "udf", spoken: "UDF", card: "iocharset=utf8", drive: ""},
}

// cardOnly are file systems that no drive may have.
var cardOnly = map[string]bool{"udf": true}

func driverOf(fsType string) (driver, error) {
	d, ok := drivers[fsType]
	if ok {
		return d, nil
	}
	if fsType == "" {
		return driver{}, fmt.Errorf("%w: none was recognised", ErrUnsupported)
	}
	return driver{}, fmt.Errorf("%w: %s", ErrUnsupported, fsType)
}

// explain turns the error of mount(2) into what an operator can use.
func (d driver) explain(err error, wantWrite bool) error {
	switch {
	case errors.Is(err, unix.ENODEV):
		return fmt.Errorf("%w for %s", ErrNoDriver, d.spoken)
	case wantWrite && (errors.Is(err, unix.EROFS) || errors.Is(err, unix.EACCES)):
		return fmt.Errorf("%w (%w)", ErrReadOnly, err)
	case errors.Is(err, unix.EBUSY):
		return fmt.Errorf("%w: it is mounted elsewhere (%w)", ErrBusy, err)
	case errors.Is(err, unix.EINVAL) && wantWrite && d.kernelName == "ntfs3":
		return fmt.Errorf("the NTFS is damaged or was not unmounted cleanly, and is refused until its own system has checked it: %w", err)
	case errors.Is(err, unix.EINVAL), errors.Is(err, unix.EUCLEAN), errors.Is(err, unix.EBADMSG):
		return fmt.Errorf("the %s is damaged or is something else: %w", d.spoken, err)
	}
	return err
}
