package fhirstore

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"
)

// Server is a Store on a listening port. Make it with Serve, end it with Close.
type Server struct {
	listener net.Listener
	http     *http.Server
	done     chan error
}

// Serve answers for s on a loopback address, such as "127.0.0.1:0" for a port that is free. Any other address is refused,
// as the store knows no users.
func Serve(s *Store, addr string) (*Server, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, fmt.Errorf("address of the FHIR store: %w", err)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, errors.New("address of the FHIR store: only a loopback address is allowed")
	}
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("FHIR store: %w", err)
	}
	srv := &Server{listener: l, http: &http.Server{Handler: s, ReadHeaderTimeout: 10 * time.Second}, done: make(chan error, 1)}
	go func() { srv.done <- srv.http.Serve(l) }()
	return srv, nil
}

// URL is the FHIR base, such as http://127.0.0.1:8080/fhir.
func (s *Server) URL() string { return "http://" + s.listener.Addr().String() + basePath }

// Close stops listening and waits for the answers under way; when ctx ends first, it breaks them off. Call it once.
func (s *Server) Close(ctx context.Context) error {
	err := s.http.Shutdown(ctx)
	if err != nil {
		_ = s.http.Close()
	}
	if served := <-s.done; !errors.Is(served, http.ErrServerClosed) {
		err = errors.Join(err, served)
	}
	if err != nil {
		return fmt.Errorf("closing the FHIR store: %w", err)
	}
	return nil
}
