"""Whatever bytes come in from outside: a result or an error of ours, never another exception, in bounded time."""
