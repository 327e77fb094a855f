package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"time"

	"keratally/cmd/keratally/web"
	"keratally/registry"
	"keratally/registry/democlinic"
	"keratally/registry/pgstore"
)

// serveCmd opens the pages.
type serveCmd struct {
	Listen    string `help:"Address and port to answer on." default:"127.0.0.1:8044" placeholder:"HOST:PORT"`
	TLSCert   string `help:"File of the certificate, PEM." type:"existingfile" placeholder:"FILE" and:"tls"`
	TLSKey    string `help:"File of its key, PEM." type:"existingfile" placeholder:"FILE" and:"tls"`
	BehindTLS bool   `help:"A proxy in front of this program speaks TLS with the browsers."`
	Demo      bool   `help:"Open an invented clinic, with an account for each role."`
	Eyes      int    `help:"Treated eyes of the invented clinic, about." default:"420"`
}

// Run answers until the program is told to stop, then finishes what is asked
// already.
func (c *serveCmd) Run(a *app) error {
	if err := c.check(); err != nil {
		return err
	}
	listener, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return fmt.Errorf("--listen %s: %w", c.Listen, err)
	}
	defer listener.Close() // at once if something below fails; twice does no harm
	store, today, err := c.open(a)
	if err != nil {
		return err
	}
	if c.Demo {
		defer store.Close()
	}
	log := slog.New(slog.NewTextHandler(a.stderr, nil))
	working, stopped := context.WithCancel(a.ctx)
	defer stopped()
	site, err := web.New(working, web.Config{Store: store, Today: today, Program: release, Secure: c.TLSCert != "" || c.BehindTLS, Demo: c.Demo, Log: log})
	if err != nil {
		return err
	}
	if err := site.Warm(a.ctx); err != nil {
		return err
	}
	server := &http.Server{Handler: site.Handler(), ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute, WriteTimeout: 2 * time.Minute, IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: 64 << 10, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn), TLSConfig: &tls.Config{MinVersion: tls.VersionTLS12}}
	ended := make(chan error, 1)
	scheme := "http"
	if c.TLSCert != "" {
		scheme = "https"
		go func() { ended <- server.ServeTLS(listener, c.TLSCert, c.TLSKey) }()
	} else {
		go func() { ended <- server.Serve(listener) }()
	}
	a.say("The pages are at %s://%s. Stop with Ctrl-C.", scheme, listener.Addr())
	select {
	case err := <-ended:
		return err
	case <-a.ctx.Done():
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(a.ctx), 20*time.Second)
	defer cancel()
	if err := server.Shutdown(ctx); err != nil {
		return fmt.Errorf("stopping: %w", err)
	}
	if err := <-ended; !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// check refuses to send passwords in the clear to other machines.
func (c *serveCmd) check() error {
	host, _, err := net.SplitHostPort(c.Listen)
	if err != nil {
		return fmt.Errorf("--listen %s: should be an address and a port, such as 127.0.0.1:8044", c.Listen)
	}
	ip := net.ParseIP(host)
	if c.TLSCert == "" && !c.BehindTLS && host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return fmt.Errorf("--listen %s: other machines should reach the pages by TLS: give --tls-cert and --tls-key, or say --behind-tls if a proxy does it", c.Listen)
	}
	if c.Eyes < 0 || c.Eyes > 200_000 {
		return fmt.Errorf("--eyes %d: should be between 0 and 200000", c.Eyes)
	}
	return nil
}

// open returns the registry and its day: the clinic's own, or an invented one.
func (c *serveCmd) open(a *app) (*pgstore.Store, func() registry.Date, error) {
	if !c.Demo {
		store, err := a.store()
		return store, a.day, err
	}
	demo := demoCmd{Eyes: c.Eyes, Seed: 2026}
	store, err := demo.freshStore(a)
	if err != nil {
		return nil, nil, err
	}
	a.say("%s is an invented clinic: no patient, surgeon or clinic of it exists.", democlinic.Name)
	if err := c.fillDemo(a, store); err != nil {
		store.Close()
		return nil, nil, err
	}
	return store, func() registry.Date { return demoLast }, nil
}

// fillDemo takes in the spreadsheets of the invented clinic and makes an
// account for each role.
func (c *serveCmd) fillDemo(a *app, store *pgstore.Store) error {
	dir, err := os.MkdirTemp("", "keratally-demo-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	sheets, err := democlinic.New(democlinic.Options{Eyes: c.Eyes, Seed: 2026, Last: demoLast}).WriteFiles(dir)
	if err != nil {
		return err
	}
	for _, f := range sheets {
		if _, err := takeFile(a, store, f.Path, f.Mapping, takeOptions{person: "demo"}); err != nil {
			return err
		}
	}
	surgeons, err := store.Clinicians(a.ctx)
	if err != nil {
		return err
	}
	a.say("\nSign in as:")
	for _, role := range web.Roles {
		account := pgstore.Account{Name: role, Role: role}
		if role == web.Surgeon && len(surgeons) > 0 {
			account.Clinician = surgeons[0].Code
		}
		password, err := addAccount(a.ctx, store, account)
		if err != nil {
			return err
		}
		a.say("  %-14s %s", account.Name, password)
	}
	a.say("")
	return nil
}
