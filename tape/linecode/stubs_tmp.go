package linecode

import "errors"

func newWaveEngine(d *Demodulator, o Options) (engine, error) { return nil, errors.New("soon") }
