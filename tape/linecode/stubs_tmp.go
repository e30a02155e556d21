package linecode

import "errors"

func newPulseEngine(d *Demodulator, o Options) (engine, error) { return nil, errors.New("soon") }
func newWaveEngine(d *Demodulator, o Options) (engine, error)  { return nil, errors.New("soon") }
