/* What the harness and the worker process share, in one block of memory.
 *
 * C includes this file and Python reads it through cffi, so it holds plain declarations only: fixed-width types, no
 * preprocessor lines. A "position" is a distance in bytes from the {memory} pointer of the binding.
 */

enum tally_stop {
    TALLY_PENDING,  /* set by the harness before a call: still there when the worker died without a word */
    TALLY_RETURNED,
    TALLY_WILD,     /* touched guest space that the state does not have, or wrote to a read-only part of it */
    TALLY_CRASH,
    TALLY_HANG,
    TALLY_EXTERNAL, /* called a function that no source defines and that stands for none of the guest */
    TALLY_LEFT,     /* ended by the harness in the middle: the exchange does not say why */
    TALLY_FAILED    /* the worker itself is at fault */
};

/* Where the host address of a crash lies. */
enum tally_place {
    TALLY_ELSEWHERE,
    TALLY_BELOW_STACK,  /* guard below the stack of the call: it is too deep */
    TALLY_ABOVE_STACK,  /* guard above it: a frame was overrun */
    TALLY_NOWHERE       /* the processor gives no address: not one a pointer can have */
};

/* What a running call wants of the world outside; the harness answers before it goes on. */
enum tally_request {
    TALLY_CALL,     /* a function outside of what is tested, `boundary`; registers go both ways */
    TALLY_CAME_BACK, /* the C's own function `boundary`, which the answer let run, has come back; as above */
    TALLY_AGAIN,    /* the function that the answer had called in between has come back; as above */
    TALLY_LOAD,     /* `bytes` bytes of a device at guest address `address`: they come back in `value` */
    TALLY_STORE,    /* `value` goes to a device */
    TALLY_TIE       /* nothing: the C has come to a tied line, number `boundary`; it may be put right. See tie.h */
};

/* Widths: all 64 bits, unsigned; with fpu = paired only the low 32 bits of each fpr count. */
struct tally_registers {
    uint64_t gpr[32];
    uint64_t hi;
    uint64_t lo;
    uint64_t fpr[32];
    uint64_t fcsr;
};

/* A run of guest memory; its bytes are in the shared file at file_offset, in guest order between calls. */
struct tally_region {
    uint64_t position;
    uint64_t size;
    uint64_t file_offset;
    uint64_t writable;
};

struct tally_exchange {
    /* from the harness */
    uint32_t function;       /* number in the entry table of the glue */
    uint32_t remap;          /* the regions below have changed: map them anew */
    uint32_t region_count;
    uint32_t word_swapped;
    uint64_t microseconds;   /* processor time that the call may take */
    uint32_t spared;         /* number of the function that is called as it is, though it is outside for others */
    uint32_t watched;        /* `hidden` and `control` are wanted with each question about a function */
    /* both ways */
    struct tally_registers registers;
    uint32_t request;        /* enum tally_request */
    uint32_t boundary;
    uint32_t bytes;
    uint64_t address;
    uint64_t value;
    uint64_t hidden;         /* hash of the library's data without the guest's registers */
    uint32_t control;        /* the host's floating-point control: rounding mode, masks */
    uint64_t seen[64];       /* what the C's variables hold at a tied line, `seen_bytes` (at most 8) of each */
    uint64_t put_variables;  /* a bit for each of `seen` that the harness has put another value into */
    uint32_t put_registers;  /* `registers` have other values at a tied line than the C gave */
    /* from the worker */
    uint8_t seen_bytes[64];
    uint32_t seen_count;
    uint32_t stop;           /* enum tally_stop */
    uint32_t signal;         /* host signal of a crash */
    uint32_t place;          /* enum tally_place */
    uint32_t wrote;          /* the faulting access was a write, where the host tells */
    uint32_t changed_fp;     /* the call left another host rounding mode or floating-point control behind */
    uint32_t printed;        /* bytes that the call wrote to standard output and error */
    int64_t fault;           /* position of a wild access; host address of a crash */
    uint64_t host_pc;        /* of the instruction that was stopped, from the start of the library; 0 unknown */
    char text[256];          /* name of the function that nobody defines, or what the worker failed at */
    struct tally_region regions[1024];
};
