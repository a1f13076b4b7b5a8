package main

import "syscall"

// otherUser is a user who owns nothing.
func otherUser() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
}
