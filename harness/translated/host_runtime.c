/* Guarded execution of translated C: guest space, own stack, signals, time limit. */

#define _GNU_SOURCE
#include "host_runtime.h"
#include "outside.h"

#include <fenv.h>
#include <link.h>
#include <setjmp.h>
#include <signal.h>
#include <stddef.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <ucontext.h>
#include <unistd.h>
#if defined(__x86_64__)
#include <xmmintrin.h>
#endif

_Static_assert(sizeof(void *) == 8, "the worker needs a 64-bit host: guest space takes 12 GiB of addresses");

#define GIB (1ull << 30)
#define MIB (1ull << 20)

/* Guest space: 4 GiB of guest addresses, and as much as a wrong sign extension reaches on either side. */
#define BELOW_MEMORY (4 * GIB)
#define GUEST_SPACE (12 * GIB)

/* The guards are larger than any frame that ordinary C makes. */
#define STACK_GUARD (64 * MIB)
#define STACK_SIZE (8 * MIB)
#define SIGNAL_STACK_SIZE (64 * 1024)

/* What a call finds in fresh stack: the same bytes each time, so that a read of an uninitialised local repeats. */
#define STACK_FILL_SIZE (32 * 1024)
#define STACK_FILL 0xa5a5a5a5a5a5a5a5u

#define MAX_DATA_RANGES 8
#define PAGE_SIZE 4096 /* divides the page size of every 64-bit host */

/* Present only in a program that AddressSanitizer is linked into. */
extern void __asan_unpoison_memory_region(const volatile void *start, size_t size) __attribute__((weak));

static struct tally_exchange *exchange;
static uint8_t *guest_space;
static uint8_t *memory;
static uint8_t *stack;
static fenv_t clean_environment;
static uintptr_t library_base;

static tally_call_t *current_call;
static volatile sig_atomic_t in_call;
static ucontext_t outside, inside;
static sigjmp_buf recovery;

/* --- guest space --------------------------------------------------------------------------------------------- */

static uint8_t *reserve(size_t size)
{
    void *start = mmap(NULL, size, PROT_NONE, MAP_PRIVATE | MAP_ANONYMOUS | MAP_NORESERVE, -1, 0);
    return start == MAP_FAILED ? NULL : start;
}

static void swap_words(void *start, size_t size)
{
    uint32_t *words = start;
    for (size_t i = 0; i < size / 4; i++)
        words[i] = __builtin_bswap32(words[i]);
}

static void swap_writable_regions(void)
{
    for (uint32_t i = 0; i < exchange->region_count; i++)
        if (exchange->regions[i].writable)
            swap_words(memory + exchange->regions[i].position, exchange->regions[i].size);
}

const char *tally_open_regions(int fd)
{
    static struct tally_region opened[1024];
    static uint32_t opened_count;

    for (uint32_t i = 0; i < opened_count; i++)
        if (mmap(memory + opened[i].position, opened[i].size, PROT_NONE,
                 MAP_PRIVATE | MAP_ANONYMOUS | MAP_NORESERVE | MAP_FIXED, -1, 0) == MAP_FAILED)
            return "cannot close a guest region";
    opened_count = exchange->region_count;
    memcpy(opened, exchange->regions, opened_count * sizeof opened[0]);
    for (uint32_t i = 0; i < opened_count; i++) {
        uint8_t *start = memory + opened[i].position;
        if (mmap(start, opened[i].size, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_FIXED, fd,
                 (off_t)opened[i].file_offset) == MAP_FAILED)
            return "cannot open a guest region";
        if (opened[i].writable)
            continue;
        if (exchange->word_swapped)
            swap_words(start, opened[i].size);
        if (mprotect(start, opened[i].size, PROT_READ) != 0)
            return "cannot protect a guest region";
    }
    return NULL;
}

/* --- the library's own data ---------------------------------------------------------------------------------- */

static struct { uint8_t *start; size_t size; } data_ranges[MAX_DATA_RANGES];
static int data_range_count;
static tally_kept_t *kept_registers;

/* Copies one page without the checks of a sanitizer, which guards the gaps between variables; tells whether all of it
 * was zero. */
__attribute__((no_sanitize("address"))) static int copy_page(uint64_t *to, const volatile uint64_t *from, size_t size)
{
    uint64_t any = 0;
    for (size_t i = 0; i < size / 8; i++)
        any |= to[i] = from[i];
    return any == 0;
}

/* Puts a private mapping of a copy in place of [start, start + size): dropping its pages brings the copy back. */
static const char *keep_range(uint8_t *start, size_t size)
{
    uint64_t page[PAGE_SIZE / 8];
    int fd = memfd_create("tally-data", MFD_CLOEXEC);
    if (fd < 0 || ftruncate(fd, (off_t)size) != 0)
        return "cannot keep the library's data";
    for (size_t at = 0; at < size; at += PAGE_SIZE) {
        int blank = copy_page(page, (const uint64_t *)(start + at), PAGE_SIZE);
        if (!blank && pwrite(fd, page, PAGE_SIZE, (off_t)at) != PAGE_SIZE)
            return "cannot keep the library's data";
    }
    void *kept = mmap(start, size, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_FIXED, fd, 0);
    close(fd);
    return kept == MAP_FAILED ? "cannot keep the library's data" : NULL;
}

static int find_data(struct dl_phdr_info *info, size_t size, void *unused)
{
    (void)size, (void)unused;
    if (info->dlpi_addr != library_base)
        return 0;
    uintptr_t page = (uintptr_t)sysconf(_SC_PAGESIZE);
    uintptr_t protected_end = 0;
    for (int i = 0; i < info->dlpi_phnum; i++)
        if (info->dlpi_phdr[i].p_type == PT_GNU_RELRO)
            protected_end = (info->dlpi_addr + info->dlpi_phdr[i].p_vaddr + info->dlpi_phdr[i].p_memsz) & -page;
    for (int i = 0; i < info->dlpi_phnum; i++) {
        const ElfW(Phdr) *header = &info->dlpi_phdr[i];
        if (header->p_type != PT_LOAD || !(header->p_flags & PF_W))
            continue;
        uintptr_t start = (info->dlpi_addr + header->p_vaddr) & -page;
        uintptr_t end = (info->dlpi_addr + header->p_vaddr + header->p_memsz + page - 1) & -page;
        if (start < protected_end && protected_end <= end)
            start = protected_end;
        if (start < end && data_range_count < MAX_DATA_RANGES) {
            data_ranges[data_range_count].start = (uint8_t *)start;
            data_ranges[data_range_count++].size = end - start;
        }
    }
    return 1;
}

const char *tally_keep_data(uintptr_t base)
{
    library_base = base;
    dl_iterate_phdr(find_data, NULL);
    for (int i = 0; i < data_range_count; i++) {
        const char *failure = keep_range(data_ranges[i].start, data_ranges[i].size);
        if (failure)
            return failure;
    }
    return NULL;
}

/* A factor for the word at an address (the finaliser of splitmix64): a sum of products can be taken back in part. */
static uint64_t weight(uintptr_t at)
{
    uint64_t x = (at >> 2) * UINT64_C(0x9e3779b97f4a7c15);
    x = (x ^ x >> 30) * UINT64_C(0xbf58476d1ce4e5b9);
    return (x ^ x >> 27) | 1;
}

__attribute__((no_sanitize("address"))) static uint64_t sum_of(const void *start, size_t size)
{
    const volatile uint32_t *words = start;
    uint64_t sum = 0;
    for (size_t i = 0; i < size / 4; i++)
        if (words[i])
            sum += words[i] * weight((uintptr_t)&words[i]);
    return sum;
}

static uint64_t hidden;

static void leave_out(const void *start, uint32_t bytes)
{
    for (int i = 0; i < data_range_count; i++)
        if ((uintptr_t)start - (uintptr_t)data_ranges[i].start < data_ranges[i].size)
            hidden -= sum_of(start, bytes);
}

uint64_t tally_hidden(void)
{
    hidden = 0;
    for (int i = 0; i < data_range_count; i++)
        hidden += sum_of(data_ranges[i].start, data_ranges[i].size);
    kept_registers(leave_out);
    return hidden;
}

static void reset_data(void)
{
    for (int i = 0; i < data_range_count; i++)
        madvise(data_ranges[i].start, data_ranges[i].size, MADV_DONTNEED);
}

/* --- signals ------------------------------------------------------------------------------------------------- */

static uintptr_t host_pc(const ucontext_t *context)
{
#if defined(__x86_64__)
    return (uintptr_t)context->uc_mcontext.gregs[REG_RIP];
#elif defined(__aarch64__)
    return (uintptr_t)context->uc_mcontext.pc;
#else
    return (void)context, library_base;
#endif
}

static uint32_t was_write(const ucontext_t *context)
{
#if defined(__x86_64__)
    return (context->uc_mcontext.gregs[REG_ERR] & 2) != 0; /* bit W/R of the page-fault error code */
#else
    return (void)context, 0;
#endif
}

static void end_process(void)
{
    _exit(0); /* the exchange says why; the harness starts another worker */
}

void tally_failed(const char *what)
{
    exchange->stop = TALLY_FAILED;
    strncpy(exchange->text, what, sizeof exchange->text - 1);
    end_process();
}

/* A bad access is wild when it went to guest space: the C is still sound. Anywhere else, the host's heap or stack may
 * be damaged. */
static void bad_access(const siginfo_t *info, const ucontext_t *context)
{
    uint8_t *address = info->si_addr;
    exchange->wrote = was_write(context);
    if (address >= guest_space && address < guest_space + GUEST_SPACE) {
        exchange->stop = TALLY_WILD;
        exchange->fault = address - memory;
        siglongjmp(recovery, 1);
    }
    exchange->stop = TALLY_CRASH;
    exchange->fault = (int64_t)(uintptr_t)address;
    if (info->si_code == SI_KERNEL)
        exchange->place = TALLY_NOWHERE;
    else if (address >= stack - STACK_GUARD && address < stack)
        exchange->place = TALLY_BELOW_STACK;
    else if (address >= stack + STACK_SIZE && address < stack + STACK_SIZE + STACK_GUARD)
        exchange->place = TALLY_ABOVE_STACK;
    end_process();
}

static void on_signal(int number, siginfo_t *info, void *context)
{
    if (!in_call)
        tally_failed("a signal outside a call");
    exchange->signal = (uint32_t)number;
    exchange->host_pc = host_pc(context) - library_base;
    switch (number) {
    case SIGSEGV:
    case SIGBUS:
        bad_access(info, context);
        break;
    case SIGPROF:
        exchange->stop = TALLY_HANG;
        end_process();
        break;
    case SIGABRT:
        exchange->stop = TALLY_CRASH;
        end_process();
        break;
    default: /* SIGFPE, SIGILL, SIGTRAP: one instruction of the C that the host refuses */
        exchange->stop = TALLY_CRASH;
        siglongjmp(recovery, 1);
    }
}

/* Runs `work` on the stack of calls and comes back when it returns. */
static void switch_stack(void (*work)(void))
{
    getcontext(&inside);
    inside.uc_stack.ss_sp = stack;
    inside.uc_stack.ss_size = STACK_SIZE;
    inside.uc_link = &outside;
    makecontext(&inside, work, 0);
    swapcontext(&outside, &inside);
}

static void stand_by(void)
{
}

const char *tally_guard(struct tally_exchange *shared, tally_kept_t *kept)
{
    static const int signals[] = {SIGSEGV, SIGBUS, SIGFPE, SIGILL, SIGTRAP, SIGABRT, SIGPROF};
    struct sigaction action;

    exchange = shared;
    kept_registers = kept;
    guest_space = reserve(GUEST_SPACE);
    uint8_t *stack_space = reserve(STACK_GUARD + STACK_SIZE + STACK_GUARD);
    uint8_t *signal_stack = mmap(NULL, SIGNAL_STACK_SIZE, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    if (!guest_space || !stack_space || signal_stack == MAP_FAILED)
        return "cannot reserve 13 GiB of addresses";
    memory = guest_space + BELOW_MEMORY;
    stack = stack_space + STACK_GUARD;
    if (mprotect(stack, STACK_SIZE, PROT_READ | PROT_WRITE) != 0)
        return "cannot allocate a stack";

    stack_t alternate = {.ss_sp = signal_stack, .ss_size = SIGNAL_STACK_SIZE};
    if (sigaltstack(&alternate, NULL) != 0)
        return "cannot install a signal stack";
    memset(&action, 0, sizeof action);
    action.sa_sigaction = on_signal;
    action.sa_flags = SA_SIGINFO | SA_ONSTACK | SA_NODEFER; /* no mask to restore when a handler jumps out */
    for (size_t i = 0; i < sizeof signals / sizeof signals[0]; i++)
        if (sigaction(signals[i], &action, NULL) != 0)
            return "cannot install a signal handler";
    fegetenv(&clean_environment);
    switch_stack(stand_by); /* a sanitizer has a warning to print the first time: not in a call of the C */
    return NULL;
}

/* --- one call ------------------------------------------------------------------------------------------------ */

static void set_timer(uint64_t microseconds)
{
    struct itimerval limit = {.it_value = {.tv_sec = (time_t)(microseconds / 1000000),
                                           .tv_usec = (suseconds_t)(microseconds % 1000000)}};
    setitimer(ITIMER_PROF, &limit, NULL);
}

uint32_t tally_fp_control(void)
{
#if defined(__x86_64__)
    return (uint32_t)fegetround() << 16 | (_mm_getcsr() & ~0x3fu);
#else
    return (uint32_t)fegetround();
#endif
}

__attribute__((no_sanitize("address"))) static void fill_stack(void)
{
    volatile uint64_t *end = (volatile uint64_t *)(stack + STACK_SIZE);
    for (volatile uint64_t *word = end - STACK_FILL_SIZE / 8; word < end; word++)
        *word = STACK_FILL;
}

/* Looks at the floating-point control itself: coming back from the stack of calls restores it. */
static void enter(void)
{
    uint32_t control = tally_fp_control();
    current_call(exchange->function, &exchange->registers, memory);
    exchange->changed_fp = tally_fp_control() != control;
}

void tally_run(tally_call_t *call)
{
    exchange->signal = exchange->place = exchange->wrote = exchange->changed_fp = 0;
    exchange->fault = 0;
    exchange->host_pc = 0;
    reset_data();
    tally_redirect(exchange->spared);
    if (exchange->word_swapped)
        swap_writable_regions();
    fill_stack();
    current_call = call;
    fesetenv(&clean_environment);

    if (sigsetjmp(recovery, 0) == 0) {
        set_timer(exchange->microseconds);
        in_call = 1;
        switch_stack(enter);
        exchange->stop = TALLY_RETURNED;
    } else if (__asan_unpoison_memory_region) {
        __asan_unpoison_memory_region(stack, STACK_SIZE); /* frames that were left without return */
    }
    in_call = 0;
    set_timer(0);
    fesetenv(&clean_environment);
    if (exchange->word_swapped)
        swap_writable_regions();
}

void tally_external_called(const char *name)
{
    exchange->stop = TALLY_EXTERNAL;
    strncpy(exchange->text, name, sizeof exchange->text - 1);
    siglongjmp(recovery, 1);
}

void tally_left(void)
{
    exchange->stop = TALLY_LEFT;
    siglongjmp(recovery, 1);
}
