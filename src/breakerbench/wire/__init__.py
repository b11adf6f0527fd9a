"""The wire between board and program: frames, messages, samples and edges on it. No input or output."""
