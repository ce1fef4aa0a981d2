"""The translated C: its binding, the generated glue, the compilers, and the child process that runs it."""
