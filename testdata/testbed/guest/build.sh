#!/bin/bash
# Builds what a guest boots from: a Debian 12 root image and a kernel with its
# modules. Run as root: guest/build.sh OUTDIR ARCH [FLAVOUR...], where ARCH is
# amd64 or arm64, and FLAVOUR what Debian calls a kernel of it, else ARCH as
# well. Everything lands in OUTDIR:
#   root.ext4          the root file system, shared read-only by all guests
#   vmlinuz-FLAVOUR    the kernel of bookworm-backports
#   modules-FLAVOUR/   the few modules that must be there before the root is mounted
# Package sources, proxies and the like come from this machine's own apt
# configuration; nothing about a mirror is written here.
set -euo pipefail
export LC_ALL=C
out=$1 arch=$2
shift 2
flavours=("${@:-$arch}")
registry=/proc/sys/fs/binfmt_misc mounted= registered=
work=$(mktemp -d "$out/work.XXXXXX")
cleanup() {
	rm -rf "$work"
	[ -z "$registered" ] || echo -1 >$registry/qemu-aarch64
	[ -z "$mounted" ] || umount $registry
}
trap cleanup EXIT

# The maintainer scripts of another architecture are run by qemu-user, of which the
# kernel must know. What it did not know before it forgets after the build.
if [ "$arch" = arm64 ] && [ "$(uname -m)" != aarch64 ]; then
	if [ ! -e $registry/register ]; then
		mount -t binfmt_misc binfmt_misc $registry
		mounted=yes
	fi
	if [ ! -e $registry/qemu-aarch64 ]; then
		cat /usr/lib/binfmt.d/qemu-aarch64.conf >$registry/register
		registered=yes
	fi
fi

# The Debian archives this machine already uses, one "URI SUITE" a line.
apt-get indextargets --format '$(ORIGIN) $(REPO_URI) $(CODENAME)' 'Created-By: Packages' |
	awk '$1 == "Debian" { print $2, $3 }' | sort -u >"$work/targets"
main=$(awk '$2 == "bookworm" { print $1; exit }' "$work/targets")
if [ -z "$main" ]; then
	echo "build guest: apt on this machine knows no Debian bookworm archive (run apt-get update?)" >&2
	exit 1
fi
key=/usr/share/keyrings/debian-archive-keyring.gpg
awk -v key="$key" '$2 ~ /^bookworm(-updates|-security)?$/ {
	print "deb [signed-by=" key "] " $1 " " $2 " main" }' "$work/targets" >"$work/sources.list"
echo "deb [signed-by=$key] $main bookworm-backports main" >>"$work/sources.list"

# Proxies, retries and checks of dates as on this machine.
apt-config dump | grep -E '^Acquire::(Check-|Retries|https?::|ForceIPv)' >"$work/apt.conf" || true

# The hook fetches the kernel package and takes it apart, so that neither its
# maintainer scripts nor an initramfs generator are ever needed.
cat >"$work/kernel-hook" <<'HOOK'
#!/bin/bash
set -euo pipefail
root=$1 work=$2 out=$3 flavour=$4
name=$(chroot "$root" apt-cache depends --important -t bookworm-backports "linux-image-$flavour" |
	awk '$1 == "Depends:" && $2 ~ /^linux-image-/ { print $2; exit }')
[ -n "$name" ] || { echo "build guest: bookworm-backports names no kernel $flavour" >&2; exit 1; }
mkdir -p "$root/fetch" "$work/kernel-$flavour"
chmod 777 "$root/fetch"
chroot "$root" sh -c "cd /fetch && apt-get -q download -t bookworm-backports $name"
dpkg-deb -x "$root"/fetch/linux-image-*.deb "$work/kernel-$flavour"
rm -rf "$root/fetch"
version=$(ls "$work/kernel-$flavour/lib/modules" 2>/dev/null || ls "$work/kernel-$flavour/usr/lib/modules")
from=$work/kernel-$flavour/lib/modules/$version
[ -d "$from" ] || from=$work/kernel-$flavour/usr/lib/modules/$version
cp "$work/kernel-$flavour/boot/vmlinuz-$version" "$out/vmlinuz-$flavour"
to=$root/usr/lib/modules/$version
mkdir -p "$to/kernel"
cp "$from"/modules.{builtin,builtin.modinfo,order} "$to/"
for keep in arch/x86/crypto arch/arm64 crypto lib fs drivers/block drivers/md drivers/scsi drivers/usb \
	drivers/hid drivers/input drivers/leds drivers/virtio drivers/char drivers/target \
	drivers/cdrom drivers/ata drivers/ptp drivers/pps drivers/mmc drivers/nvme net/9p; do
	[ -e "$from/kernel/$keep" ] || continue
	mkdir -p "$to/kernel/$(dirname "$keep")"
	cp -a "$from/kernel/$keep" "$to/kernel/$(dirname "$keep")/"
done
rm -rf "$to"/kernel/drivers/scsi/{lpfc,qla2xxx,qla4xxx,bfa,mpt3sas,mpi3mr,megaraid,aic7xxx,aic94xx,bnx2fc,cxgbi,be2iscsi,bnx2i,csiostor,smartpqi,pm8001,elx,qedi,qedf,fnic,snic,isci,esas2r,libfc,fcoe,hisi_sas,mvsas} \
	"$to"/kernel/drivers/usb/{serial,misc,image,atm,musb,cdns3,dwc2,dwc3,chipidea,typec,class} \
	"$to"/kernel/fs/{ocfs2,gfs2,nfs,nfsd,ceph,smb,afs,orangefs,coda,9p/none,jfs,reiserfs,nilfs2,ufs,hfs,hfsplus,minix,lockd,dlm,bcachefs}
find "$to" -name '*.ko.xz' -exec xz -d {} +
depmod -b "$root" "$version"
mkdir -p "$out/modules-$flavour"
( cd "$to" && for m in virtio_pci virtio_blk virtio_console virtio_rng ext4 crc32c_generic crc32c-intel; do
	modprobe -d "$root" -S "$version" --show-depends "$m" 2>/dev/null || true
done ) | awk '$1 == "insmod" && !seen[$2]++ { print $2 }' | while read -r file; do
	file=$(realpath "$file")
	n=$(ls "$out/modules-$flavour" | wc -l)
	cp "$file" "$out/modules-$flavour/$(printf %02d "$n")-$(basename "$file")"
done
HOOK
chmod +x "$work/kernel-hook"

# What the hook leaves of the system: what a story needs, and nothing that
# starts by itself and costs boot time.
cat >"$work/trim-hook" <<'HOOK'
#!/bin/bash
set -euo pipefail
root=$1
systemctl --root="$root" mask --quiet getty@.service serial-getty@.service console-getty.service \
	getty-static.service apt-daily.timer apt-daily-upgrade.timer dpkg-db-backup.timer fstrim.timer \
	e2scrub_all.timer e2scrub_reap.service systemd-networkd.service systemd-networkd.socket \
	systemd-resolved.service systemd-timesyncd.service systemd-pstore.service \
	systemd-network-generator.service systemd-hwdb-update.service ldconfig.service \
	systemd-boot-system-token.service systemd-firstboot.service systemd-tmpfiles-clean.timer \
	dev-hugepages.mount sys-kernel-debug.mount sys-kernel-tracing.mount systemd-update-utmp.service \
	systemd-update-utmp-runlevel.service systemd-remount-fs.service systemd-fsck-root.service \
	modprobe@fuse.service modprobe@loop.service modprobe@dm_mod.service modprobe@drm.service \
	modprobe@efi_pstore.service sys-fs-fuse-connections.mount dev-mqueue.mount systemd-sysusers.service \
	systemd-machine-id-commit.service systemd-user-sessions.service
systemctl --root="$root" set-default --quiet multi-user.target
echo testbed >"$root/etc/hostname"
echo '127.0.0.1 localhost testbed' >"$root/etc/hosts"
: >"$root/etc/fstab"
: >"$root/etc/machine-id"
mkdir -p "$root/var/log/journal" "$root/etc/systemd/journald.conf.d" "$root/etc/bothy"
printf '[Journal]\nStorage=persistent\nSyncIntervalSec=1s\nRateLimitIntervalSec=0\nSystemMaxUse=64M\n' \
	>"$root/etc/systemd/journald.conf.d/testbed.conf"
rm -rf "$root"/usr/share/{doc,man,locale,info,lintian,bash-completion} "$root"/var/lib/apt/lists/* \
	"$root"/var/cache/apt/* "$root"/etc/apt/sources.list* "$root"/usr/lib/udev/hwdb.bin
HOOK
chmod +x "$work/trim-hook"

kernel_hooks=()
for flavour in "${flavours[@]}"; do
	kernel_hooks+=(--customize-hook="$work/kernel-hook \"\$1\" $work $out $flavour")
done

# The mkfs programs are for tests of packages that run inside the guest.
nice mmdebstrap --quiet --variant=minbase --mode=root --architectures="$arch" --format=directory \
	--aptopt="$work/apt.conf" \
	--aptopt='APT::Install-Recommends "false"' --dpkgopt=force-unsafe-io \
	--include=systemd,systemd-sysv,udev,kmod,dmsetup,tzdata,e2fsprogs,dosfstools,exfatprogs,xfsprogs,btrfs-progs,ntfs-3g \
	"${kernel_hooks[@]}" \
	--customize-hook="$work/trim-hook \"\$1\"" \
	bookworm "$work/root" "$work/sources.list"

truncate -s 2G "$work/root.ext4"
mke2fs -q -t ext4 -L testbed-root -m 0 -O ^metadata_csum_seed -E lazy_itable_init=1 \
	-d "$work/root" "$work/root.ext4"
mv "$work/root.ext4" "$out/root.ext4"
