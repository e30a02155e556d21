// Package linecode turns bits into sound and sound into bits, for line codes that are declared as data.
//
// A line code says what a 1 and a 0 look like on the tape. Three shapes cover what home computers used:
//
//	tones   a bit is a burst of one of two tones; phase runs on     kcs300: 1 = 8 cycles of 2400 Hz, 0 = 4 of 1200 Hz
//	pulses  a bit is a cell with pulses at places in it             pulse500: clock pulse at 0, a 1 has one more at 1/2
//	waves   a bit is a row of half-waves of given widths            1 = 500 us up, 500 us down; 0 = 250 us up, 250 down
//
// A Code adds framing, leader and sync. Both directions are derived from it: a Modulator writes the declared waveform
// at any sample rate, and a Demodulator correlates what it hears with the same waveform. There is no zero-crossing
// detector: a correlator uses every sample of a bit, which in white noise no other receiver betters, and one threshold
// in the middle between the two waveforms decides. What is left to find is when each bit begins, for a tape never runs
// at its nominal speed. A tracking loop does that: it predicts the place of the next bit, measures how far the waveform
// was from there, and corrects place and speed by as much as the measurement deserves in the noise there is (a Kalman
// filter). In a dropout the measurement deserves nothing, and the loop runs on like a flywheel.
//
// Worked example: byte 41h in kcs300 is sent low bit first with a start bit 0 and two stop bits 1:
//
//	0 1 0 0 0 0 0 1 0 1 1      28 cycles of 1200 Hz and 32 of 2400 Hz, 36.667 ms
//
// At 44.1 kHz a bit has 147 samples. In noise as strong as the signal a single sample says nothing; the correlation
// over 147 of them stands 18.7 dB above what the noise leaves in it, and one bit in some billion is wrong.
//
// Soft decisions: each bit comes with the logarithm of its odds, ln P(1)/P(0), so that later rooms can repair a block
// by turning its least certain bits, and merge several recordings by adding the odds.
package linecode
