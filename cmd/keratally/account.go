package main

import (
	"context"
	"fmt"
	"strings"

	"keratally/cmd/keratally/web"
	"keratally/registry/pgstore"
)

// accountCmd keeps the accounts of the pages from the terminal.
type accountCmd struct {
	Add      accountAddCmd      `cmd:"" help:"Add an account; its password is drawn and printed once."`
	Password accountPasswordCmd `cmd:"" help:"Draw a new password for an account, release it and end its sessions."`
	List     accountListCmd     `cmd:"" help:"List the accounts."`
}

type accountAddCmd struct {
	Name      string `arg:"" help:"Name to sign in with: small letters, digits, dots, hyphens, underscores."`
	Role      string `help:"Role: ${enum}." enum:"data-entry,surgeon,fellow,audit-lead,administrator" required:""`
	Clinician string `help:"Code of the clinician whose eyes a surgeon reads." placeholder:"CODE"`
}

// Run adds the account.
func (c *accountAddCmd) Run(a *app) error {
	store, err := a.store()
	if err != nil {
		return err
	}
	password, err := addAccount(a.ctx, store, pgstore.Account{Name: strings.ToLower(c.Name), Role: c.Role, Clinician: c.Clinician})
	if err != nil {
		return err
	}
	a.say("The account %s (%s) is there. Its password, printed this once:\n  %s", strings.ToLower(c.Name), c.Role, password)
	return nil
}

// addAccount enters an account with a drawn password, which it returns.
func addAccount(ctx context.Context, store *pgstore.Store, account pgstore.Account) (password string, err error) {
	password = web.NewPassword()
	if account.Password, err = web.HashPassword(ctx, password); err != nil {
		return "", err
	}
	_, err = store.AddAccount(ctx, account)
	return password, err
}

type accountPasswordCmd struct {
	Name string `arg:"" help:"Name of the account."`
}

// Run draws a new password.
func (c *accountPasswordCmd) Run(a *app) error {
	store, err := a.store()
	if err != nil {
		return err
	}
	account, err := store.AccountNamed(a.ctx, c.Name)
	if err != nil {
		return fmt.Errorf("%s: %w", c.Name, err)
	}
	password := web.NewPassword()
	stored, err := web.HashPassword(a.ctx, password)
	if err != nil {
		return err
	}
	if err := store.SetPassword(a.ctx, account.ID, stored); err != nil {
		return err
	}
	a.say("The new password of %s, printed this once:\n  %s", account.Name, password)
	return nil
}

type accountListCmd struct{}

// Run lists the accounts.
func (accountListCmd) Run(a *app) error {
	store, err := a.store()
	if err != nil {
		return err
	}
	list, err := store.Accounts(a.ctx)
	if err != nil {
		return err
	}
	if len(list) == 0 {
		a.say("There is no account yet. The first one: keratally account add NAME --role administrator")
	}
	for _, one := range list {
		state := "open"
		if one.Closed {
			state = "closed"
		}
		a.say("%-24s %-14s %s", one.Name, one.Role, state)
	}
	return nil
}
