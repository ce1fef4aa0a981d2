/* What the C does outside of what is tested: its calls go to stand-ins, and the harness answers. */

#ifndef TALLY_OUTSIDE_H
#define TALLY_OUTSIDE_H

#include <link.h>
#include <stdint.h>

struct tally_exchange;

/* What the glue asks of the world outside; see enum tally_request. */
struct tally_outside {
    int (*call)(uint32_t boundary); /* whether the C's own function is to run */
    void (*left)(uint32_t boundary);
    uint64_t (*load)(uint64_t address, uint32_t bytes);
    void (*store)(uint64_t address, uint32_t bytes, uint64_t value);
    int (*tie)(uint32_t number, uint32_t count, void *const *variables, const unsigned char *sizes); /* registers changed */
};

/* Carries what a running call asks to the harness and waits for the answer, over these open files. The answer may be to
 * call an entry of the glue first, through `again`. */
struct tally_outside tally_ask_through(struct tally_exchange *exchange, int request_fd, int reply_fd,
                                       void (*again)(uint32_t entry));

/* One function of the C and what is called instead of it; `boundary` is its number, and `real` is filled in with the
 * function itself. Tables are sorted by name. */
struct tally_stand_in {
    const char *name;
    void (*function)(void);
    uint32_t boundary;
    void (**real)(void);
};

/* Finds every place where the library names one of the functions. Returns NULL or what failed. */
const char *tally_find_references(struct link_map *library, const struct tally_stand_in *table, uint32_t count);

/* Makes all of them name the stand-ins, but those of boundary `spared`, which is called as it is. What already does is left
 * alone, so that it may be asked before every call. */
void tally_redirect(uint32_t spared);

#endif
