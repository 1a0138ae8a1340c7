// The headers that every test reads are precompiled with this file, since they must be with one.
