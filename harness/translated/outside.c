/* What the C does outside of what is tested: its calls go to stand-ins, and the harness answers.
 *
 * The library is compiled so that every use of a function that others can see goes through a place which the loader
 * fills in (-fPIC -fsemantic-interposition): these places are filled in anew. A direct call of oneself may be bound by
 * the compiler; no leg counts one as a call. Source: System V ABI, chapter 5, dynamic linking.
 */

#define _GNU_SOURCE
#include "outside.h"

#include <elf.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#include "host_runtime.h"

#if defined(__x86_64__)
#define NAMES_SYMBOL(type) ((type) == R_X86_64_JUMP_SLOT || (type) == R_X86_64_GLOB_DAT || (type) == R_X86_64_64)
#elif defined(__aarch64__)
#define NAMES_SYMBOL(type) \
    ((type) == R_AARCH64_JUMP_SLOT || (type) == R_AARCH64_GLOB_DAT || (type) == R_AARCH64_ABS64)
#else
#define NAMES_SYMBOL(type) 0
#endif

struct reference {
    uintptr_t *place;
    uintptr_t real;
    const struct tally_stand_in *stand_in;
};

static const struct tally_stand_in *stand_ins;
static uint32_t stand_in_count;
static struct reference *references;
static size_t reference_count;

static int by_name(const void *name, const void *entry)
{
    return strcmp(name, ((const struct tally_stand_in *)entry)->name);
}

static void *pointer(const struct link_map *library, uintptr_t value)
{
    return (void *)(value < library->l_addr ? value + library->l_addr : value);
}

/* Adds what one table of relocations says; `addend` is part of the real address. */
static void read_relocations(struct link_map *library, const ElfW(Rela) *entries, size_t bytes,
                             const ElfW(Sym) *symbols, const char *names)
{
    for (size_t i = 0; i < bytes / sizeof *entries; i++) {
        uint32_t symbol = (uint32_t)ELF64_R_SYM(entries[i].r_info);
        if (!symbol || !NAMES_SYMBOL(ELF64_R_TYPE(entries[i].r_info)) || entries[i].r_addend)
            continue;
        const char *name = names + symbols[symbol].st_name;
        const struct tally_stand_in *found = bsearch(name, stand_ins, stand_in_count, sizeof *stand_ins, by_name);
        if (!found)
            continue;
        uintptr_t *place = (uintptr_t *)(library->l_addr + entries[i].r_offset);
        references = realloc(references, (reference_count + 1) * sizeof *references);
        references[reference_count++] = (struct reference){place, *place, found};
        *found->real = (void (*)(void)) * place;
    }
}

const char *tally_find_references(struct link_map *library, const struct tally_stand_in *table, uint32_t count)
{
    const ElfW(Rela) *plain = NULL, *calls = NULL;
    const ElfW(Sym) *symbols = NULL;
    const char *names = NULL;
    size_t plain_bytes = 0, call_bytes = 0;

    stand_ins = table;
    stand_in_count = count;
    if (!count)
        return NULL;
    for (const ElfW(Dyn) *entry = library->l_ld; entry->d_tag != DT_NULL; entry++)
        switch (entry->d_tag) {
        case DT_SYMTAB: symbols = pointer(library, entry->d_un.d_ptr); break;
        case DT_STRTAB: names = pointer(library, entry->d_un.d_ptr); break;
        case DT_RELA: plain = pointer(library, entry->d_un.d_ptr); break;
        case DT_RELASZ: plain_bytes = entry->d_un.d_val; break;
        case DT_JMPREL: calls = pointer(library, entry->d_un.d_ptr); break;
        case DT_PLTRELSZ: call_bytes = entry->d_un.d_val; break;
        case DT_SYMBOLIC: return "the library binds its own calls (-Bsymbolic): they cannot be seen";
        case DT_FLAGS:
            if (entry->d_un.d_val & DF_SYMBOLIC)
                return "the library binds its own calls (-Bsymbolic): they cannot be seen";
        }
    if (!symbols || !names)
        return "the library has no table of symbols";
    read_relocations(library, plain, plain_bytes, symbols, names);
    read_relocations(library, calls, call_bytes, symbols, names);
    return NULL;
}

/* Puts `value` into a place that the loader may have made read-only. */
static void fill(uintptr_t *place, uintptr_t value)
{
    if (*place == value)
        return;
    uintptr_t size = (uintptr_t)sysconf(_SC_PAGESIZE), page = (uintptr_t)place & -size;
    mprotect((void *)page, size, PROT_READ | PROT_WRITE);
    *place = value;
}

void tally_redirect(uint32_t spared)
{
    for (size_t i = 0; i < reference_count; i++) {
        const struct reference *one = &references[i];
        fill(one->place, one->stand_in->boundary == spared ? one->real : (uintptr_t)one->stand_in->function);
    }
}

/* --- questions ----------------------------------------------------------------------------------------------- */

static struct tally_exchange *exchange;
static int requests, replies;

static void (*call_again)(uint32_t entry);

/* Gives what is to be done: 'a' nothing more, 'r' run the C's own function. */
static char ask(uint32_t request)
{
    for (;;) {
        char byte = 'e';
        exchange->request = request;
        if (exchange->watched && request <= TALLY_AGAIN) {
            exchange->hidden = tally_hidden();
            exchange->control = tally_fp_control();
        }
        if (write(replies, &byte, 1) != 1 || read(requests, &byte, 1) != 1)
            _exit(0); /* the harness is gone */
        if (byte == 'x')
            tally_left();
        if (byte != 'n')
            return byte;
        call_again(exchange->function);
        request = TALLY_AGAIN;
    }
}

static int ask_call(uint32_t boundary)
{
    exchange->boundary = boundary;
    return ask(TALLY_CALL) == 'r';
}

static void ask_left(uint32_t boundary)
{
    exchange->boundary = boundary;
    ask(TALLY_CAME_BACK);
}

static uint64_t ask_load(uint64_t address, uint32_t bytes)
{
    exchange->address = address;
    exchange->bytes = bytes;
    ask(TALLY_LOAD);
    return exchange->value;
}

static void ask_store(uint64_t address, uint32_t bytes, uint64_t value)
{
    exchange->address = address;
    exchange->bytes = bytes;
    exchange->value = value;
    ask(TALLY_STORE);
}

static int ask_tie(uint32_t number, uint32_t count, void *const *variables, const unsigned char *sizes)
{
    exchange->boundary = number;
    exchange->seen_count = count;
    exchange->put_variables = 0;
    exchange->put_registers = 0;
    for (uint32_t i = 0; i < count; i++) {
        exchange->seen[i] = 0;
        exchange->seen_bytes[i] = sizes[i];
        memcpy(&exchange->seen[i], variables[i], sizes[i]);
    }
    ask(TALLY_TIE);
    for (uint32_t i = 0; i < count; i++)
        if (exchange->put_variables >> i & 1)
            memcpy(variables[i], &exchange->seen[i], sizes[i]);
    return exchange->put_registers != 0;
}

struct tally_outside tally_ask_through(struct tally_exchange *shared, int request_fd, int reply_fd,
                                       void (*again)(uint32_t entry))
{
    call_again = again;
    exchange = shared;
    requests = request_fd;
    replies = reply_fd;
    return (struct tally_outside){ask_call, ask_left, ask_load, ask_store, ask_tie};
}
