// Package bench is the equipment: drives, controllers and media, what can record what, and the drivers that do it.
//
// The first drive of the bench is a simulated one. It takes the transition times of a track as they were meant and
// gives them back as a real drive with a real disk would: a little fast or slow, once round the revolution faster and
// slower, every transition jittering, crowded transitions pushed apart (peak shift), and, on a worn disk, stretches
// where nothing is left to read. A master is called verified only after it came through this and was compared.
//
// Worked example: the preset "good" turns up to 1 % off speed. A revolution of 200 ms may come as 201.6 ms; a cell of
// fm10x256 (8 us) is then 8.064 us long, and its transitions scatter by 80 ns (40 ns at MFM's half-cell of 2 us, twice
// that at FM's 4 us) around their places, of a window that is 2,000 ns to either side.
package bench
