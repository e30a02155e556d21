// Package progress is how long work says where it stands. Library code never prints: it calls a Progress.
package progress

// Progress listens to one piece of work. Its methods may be called from several goroutines.
type Progress interface {
	Start(what string, total int) // total 0: not known
	Step(n int, note string)      // n more done; note: "cyl 17 head 0: 16 sectors, 1 bad"
	Done()
}

// Nothing is a Progress that nobody looks at.
type Nothing struct{}

func (Nothing) Start(string, int) {}
func (Nothing) Step(int, string)  {}
func (Nothing) Done()             {}

// Or gives p, or Nothing where p is nil, so that callers may leave it out.
func Or(p Progress) Progress {
	if p == nil {
		return Nothing{}
	}
	return p
}
