// Package master walks the whole path: from files of an archive to disks and tapes that a machine reads, and back up
// again to prove it.
//
// A master is a track-exact recording of one disk or tape side. It is made in four moves, and only the last one makes
// it more than a hope:
//
//	arrange   inspect every file and plan which goes where
//	build     files to a volume, volume to sectors, sectors to transition times; programs to blocks, blocks to sound
//	pass      the transitions through a simulated drive with a simulated disk, the sound through a simulated cassette
//	prove     decode what came back by the same decoders that read real media, and compare every byte and mark
//
// Worked example: TIDES.BAS of 1,035 bytes becomes TIDES/BAS in one granule of disk D01, cylinder 1 sectors 0 to 4. The
// drive "good" turns 0.8 % slow; its captures are decoded, all 400 sectors compare, the volume is opened again and
// TIDES/BAS taken out: 1,035 bytes, the same SHA-256. D01 is verified.
package master
