//! Circuits drawn at random, by kind: each is read, solved healthy and with failures, and keeps the laws.
