/* Guarded execution of translated C: guest space, own stack, signals, time limit. */

#ifndef TALLY_HOST_RUNTIME_H
#define TALLY_HOST_RUNTIME_H

#include <stdint.h>

#include "exchange.h"

/* The call that the glue makes: registers in, translated function, registers out. */
typedef void tally_call_t(uint32_t function, struct tally_registers *registers, uint8_t *memory);

/* Tells where the translated C keeps each of the guest's registers. */
typedef void tally_kept_t(void (*one)(const void *start, uint32_t bytes));

/* Reserves guest space without access and installs stacks and signal handlers. Returns NULL or what failed. */
const char *tally_guard(struct tally_exchange *exchange, tally_kept_t *kept);

/* Gives access to the exchange's regions, whose bytes are in the file `fd`, and to nothing else of guest space.
 * Returns NULL or what failed. */
const char *tally_open_regions(int fd);

/* Keeps the writable data of the library loaded at `base` as it is now; every call starts with it. */
const char *tally_keep_data(uintptr_t base);

/* A hash of that data as it is now, but for the guest's registers: what the C keeps from one function to another
 * without the guest's knowing. */
uint64_t tally_hidden(void);

/* The host's rounding mode and, where it keeps them in one register, exception masks and flushing of denormals. */
uint32_t tally_fp_control(void);

/* Runs one function as the exchange says and notes there how it ended. A call after which this process cannot be
 * trusted (heap or stack may be damaged, a lock may be held) ends the process instead of returning. */
void tally_run(tally_call_t *call);

/* Ends the running call: it came to a function that no source defines. Does not return. */
void tally_external_called(const char *name);

/* Ends the running call: the harness wants no more of it. Does not return. */
void tally_left(void);

/* Ends the process: it cannot do what the harness wants, whatever the C is like. */
void tally_failed(const char *what);

#endif
