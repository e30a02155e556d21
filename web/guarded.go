package web

import "fmt"

// guarded keeps a fault in one job from ending the server, and with it everything else a person is doing.
func guarded(f func() (string, error)) (goes string, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the work stopped by a fault of this program: %v", p)
		}
	}()
	return f()
}
