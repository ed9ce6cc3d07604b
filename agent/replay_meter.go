package main

import (
	"io"
	"sync/atomic"
)

// meter counts how much of the input has been read. Safe for concurrent use
// once total is set.
type meter struct {
	total int64 // bytes; 0: not known
	read  atomic.Int64
}

func (m *meter) reading(r io.Reader) io.Reader { return metered{r, m} }

// part is what has been read, from 0 to 1; negative where that is not known.
func (m *meter) part() float64 {
	if m.total == 0 {
		return -1
	}
	return min(float64(m.read.Load())/float64(m.total), 1)
}

type metered struct {
	io.Reader
	m *meter
}

func (r metered) Read(p []byte) (int, error) {
	n, err := r.Reader.Read(p)
	r.m.read.Add(int64(n))
	return n, err
}
