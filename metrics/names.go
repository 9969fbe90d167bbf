package metrics

import "github.com/prometheus/client_golang/prometheus"

// descs is the one table of names. Its order is the order of the exposition
// only in as far as the names sort; nothing rests on it.
type descs struct {
	all []*prometheus.Desc // every one of those below

	buildInfo, phase, copiesNeeded, clockTrusted, lastStateChange, starts *prometheus.Desc

	batteryCharge, externalPower *prometheus.Desc

	policyLoaded, policyError, policyLoadedAt *prometheus.Desc
	policyReloads, policyReloadFails          *prometheus.Desc

	devicesWatched, devicesLeftAlone              *prometheus.Desc
	deviceEvents, deviceRescans, deviceReconnects *prometheus.Desc

	cards, cardsHeld, cardsHeldFor, slotCards *prometheus.Desc
	releases, holds                           *prometheus.Desc

	offloadsRunning, offloadsStarted, offloadsFinished *prometheus.Desc
	offloadsDone, offloadsLeft                         *prometheus.Desc
	readBytes, writtenBytes, readBackBytes             *prometheus.Desc
	filesProven, copiesProven, copiesFailed, catchUps  *prometheus.Desc
	patrols, filesHealed                               *prometheus.Desc
	errands, errandDone                                *prometheus.Desc
	mismatches, readBackErrors, flushFailures          *prometheus.Desc
	lightFailures, ledgerFailures                      *prometheus.Desc

	drivesAttached, drivesRefused, drivesRetired          *prometheus.Desc
	driveAttached, driveInUse, driveFull, driveFailing    *prometheus.Desc
	driveCopies, driveOldestProof, driveUndated           *prometheus.Desc
	driveRoomCards, driveRoomTime                         *prometheus.Desc
	driveHealthGood, driveCelsius                         *prometheus.Desc
	driveSizeBytes, driveFreeBytes, driveLastSeen         *prometheus.Desc
	conditions, conditionsNeedPerson, conditionsRaisedAll *prometheus.Desc
}

func newDescs() *descs {
	var all []*prometheus.Desc
	d := func(name, help string, labels ...string) *prometheus.Desc {
		desc := prometheus.NewDesc("bothy_"+name, help, labels, nil)
		all = append(all, desc)
		return desc
	}
	table := &descs{
		buildInfo:       d("build_info", "The running program; always 1.", "version"),
		phase:           d("phase", "1 for the phase the daemon is in, 0 for the others.", "phase"),
		copiesNeeded:    d("copies_needed", "Proven copies on distinct drives that a release needs."),
		clockTrusted:    d("clock_trusted", "1 while the wall clock is known to be synchronised."),
		lastStateChange: d("last_state_change_timestamp_seconds", "When the daemon last published a new state."),
		starts:          d("starts_total", "Starts of the daemon, kept over restarts, by how the life before had ended: clean (or none was), crash (killed or fallen over while the machine ran on, also by the watchdog), power-cut (the machine went down under it).", "after"),

		batteryCharge: d("battery_charge_ratio", "Charge of the box's batteries, 0 to 1; absent while not known."),
		externalPower: d("external_power", "1 while the box is fed, 0 while it lives on its battery, also when what feeds it is not enough; absent while not known."),

		policyLoaded:      d("policy_loaded", "1 while a policy is in force."),
		policyError:       d("policy_error", "1 while the newest policy file is refused."),
		policyLoadedAt:    d("policy_loaded_timestamp_seconds", "When the policy in force was read; absent while none is."),
		policyReloads:     d("policy_reloads_total", "Reloads of the policy that were asked for."),
		policyReloadFails: d("policy_reload_failures_total", "Reloads of the policy that were refused."),

		devicesWatched:   d("devices_watched", "Block devices seen now."),
		devicesLeftAlone: d("devices_left_alone", "Block devices seen now that are neither card nor drive."),
		deviceEvents:     d("device_events_total", "Device events received."),
		deviceRescans:    d("device_rescans_total", "Full listings of all devices."),
		deviceReconnects: d("device_reconnects_total", "Times the stream of device events was lost and opened again."),

		cards:        d("cards", "Cards that are in, by phase.", "phase"),
		cardsHeld:    d("cards_held", "Cards that are in and held, by kind of hold.", "kind"),
		cardsHeldFor: d("cards_held_seconds", "For how long the card that waits longest has been on hold, by kind of hold; 0 while none is.", "kind"),
		slotCards:    d("slot_cards", "Cards that are in, by slot, rule and what is shown for them.", "slot", "rule", "verdict"),
		releases:     d("releases_total", "Cards released for reuse."),
		holds:        d("holds_total", "Cards about which hold was decided."),

		offloadsRunning:  d("offloads_running", "Offloads that are running."),
		offloadsDone:     d("offloads_done_ratio", "What is done of the running offload that is least far, 0 to 1; absent while none runs."),
		offloadsLeft:     d("offloads_left_seconds", "Estimated time until the running offload that takes longest has its copies; absent while not known."),
		offloadsStarted:  d("offloads_started_total", "Offloads begun."),
		offloadsFinished: d("offloads_finished_total", "Offloads ended, with whatever verdict."),
		readBytes:        d("card_read_bytes_total", "Bytes read from cards."),
		writtenBytes:     d("drive_written_bytes_total", "Bytes written to drives."),
		readBackBytes:    d("drive_read_back_bytes_total", "Bytes read back from drives for proof."),
		filesProven:      d("files_proven_total", "Files proven, counted once per drive."),
		copiesProven:     d("copies_proven_total", "Copies proven."),
		copiesFailed:     d("copies_failed_total", "Copies given up."),
		catchUps:         d("catch_ups_total", "Copies that drives were brought from other drives."),
		patrols:          d("patrols_total", "Copies proven again while the box was idle."),
		filesHealed:      d("files_healed_total", "Files brought anew to copies in which they were damaged."),
		errands:          d("errands_running", "1 while work of this kind goes on among drives.", "kind"),
		errandDone:       d("errand_done_ratio", "What is done of the work among drives, 0 to 1; absent while there is none."),
		mismatches:       d("read_back_mismatches_total", "Files whose read-back differed from what was written."),
		readBackErrors:   d("read_back_errors_total", "Files that a drive took and could not give back; each is written again to another place."),
		flushFailures:    d("flush_failures_total", "Flushes to a drive that failed."),
		lightFailures:    d("light_failures_total", "Writes to a light that failed."),
		ledgerFailures:   d("ledger_failures_total", "Writes to the ledger that failed."),

		drivesAttached:   d("drives_attached", "Enrolled drives that are attached."),
		drivesRefused:    d("drives_refused", "Attached drives that are not used: clones, and those that wait to be enrolled."),
		drivesRetired:    d("drives_retired", "Drives known that are retired, attached or not; nothing else is told of them."),
		driveAttached:    d("drive_attached", "1 while the drive is attached.", "drive"),
		driveInUse:       d("drive_in_use", "1 while the drive must not be pulled.", "drive"),
		driveFull:        d("drive_full", "1 while the drive is below its reserve.", "drive"),
		driveFailing:     d("drive_failing", "1 while the drive is set aside after faults.", "drive"),
		driveHealthGood:  d("drive_health_good", "1 while the drive says of itself that it is well, 0 while it says that it fails; absent while not known.", "drive"),
		driveCelsius:     d("drive_temperature_celsius", "Temperature of the drive when last asked; absent while not known.", "drive"),
		driveSizeBytes:   d("drive_size_bytes", "Size of the drive's file system.", "drive"),
		driveFreeBytes:   d("drive_free_bytes", "Free space when the drive was last seen.", "drive"),
		driveCopies:      d("drive_copies", "Proven copies that the drive is known to hold.", "drive"),
		driveOldestProof: d("drive_oldest_proof_timestamp_seconds", "When the copy on the drive that was proven the longest ago was, by a clock that was right; absent when there is none.", "drive"),
		driveUndated:     d("drive_proofs_undated", "Copies on the drive of which it is not known when they were proven: by a clock that was not right, or by another box.", "drive"),
		driveRoomCards:   d("drive_room_cards", "Cards that still fit, by the mean of the last seven days; absent while not known.", "drive"),
		driveRoomTime:    d("drive_room_seconds", "Time until the drive is full, at the pace of the last seven days; absent while not known.", "drive"),
		driveLastSeen:    d("drive_last_seen_timestamp_seconds", "When the drive was last seen; absent when never.", "drive"),

		conditions:           d("conditions", "Conditions raised now, by code.", "code", "severity"),
		conditionsNeedPerson: d("needs_person", "1 while a condition needs a person."),
		conditionsRaisedAll:  d("conditions_raised_total", "Times a condition was raised.", "code"),
	}
	table.all = all
	return table
}
