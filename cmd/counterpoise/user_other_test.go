//go:build !linux

package main

import "syscall"

func otherUser() *syscall.SysProcAttr { return nil }
