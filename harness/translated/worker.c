/* The worker process: loads one library of translated C and calls its functions as the harness asks.
 *
 * Arguments: the library, and three open files: the shared memory, requests, replies. One byte is one request or
 * reply; the exchange at the start of the shared memory says the rest. Ends when the harness closes the requests.
 * Whatever the C prints goes to standard error, which the harness keeps.
 */

#define _GNU_SOURCE
#include <dlfcn.h>
#include <link.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/personality.h>
#include <sys/resource.h>
#include <unistd.h>

#include "host_runtime.h"
#include "outside.h"

#define PRINTED_LIMIT (16u << 20) /* bytes that the C may print before it is stopped */

static void fail(const char *what, const char *detail)
{
    fprintf(stderr, "%s%s%s\n", what, detail ? ": " : "", detail ? detail : "");
    exit(2);
}

static void *symbol(void *library, const char *name)
{
    void *found = dlsym(library, name);
    if (!found)
        fail("the glue is incomplete", name);
    return found;
}

static void limit(void)
{
    struct rlimit no_core = {0, 0}, printed = {PRINTED_LIMIT, PRINTED_LIMIT};
    setrlimit(RLIMIT_CORE, &no_core);
    setrlimit(RLIMIT_FSIZE, &printed);
}

static void forget_printed(void)
{
    if (lseek(STDERR_FILENO, 0, SEEK_CUR) > 0 &&
        (ftruncate(STDERR_FILENO, 0) != 0 || lseek(STDERR_FILENO, 0, SEEK_SET) != 0))
        tally_failed("cannot empty the file of printed text");
}

/* Starts over without address space randomisation, where the host allows that: what a fault leaves repeats better. */
static void fix_addresses(char **arguments)
{
    int now = personality(0xffffffff);
    if (now != -1 && !(now & ADDR_NO_RANDOMIZE) && personality(now | ADDR_NO_RANDOMIZE) != -1)
        execv("/proc/self/exe", arguments);
}

int main(int count, char **arguments)
{
    if (count != 5)
        fail("usage: worker LIBRARY MEMORY-FD REQUEST-FD REPLY-FD", NULL);
    fix_addresses(arguments);
    int memory_fd = atoi(arguments[2]), request_fd = atoi(arguments[3]), reply_fd = atoi(arguments[4]);
    struct tally_exchange *exchange =
        mmap(NULL, sizeof *exchange, PROT_READ | PROT_WRITE, MAP_SHARED, memory_fd, 0);
    if (exchange == MAP_FAILED)
        fail("cannot map the exchange", NULL);
    void *library = dlopen(arguments[1], RTLD_NOW | RTLD_LOCAL);
    if (!library)
        fail("cannot load the library", dlerror());
    tally_call_t *call = (tally_call_t *)symbol(library, "tally_call");
    *(void (**)(const char *))symbol(library, "tally_on_external") = tally_external_called;
    *(struct tally_outside *)symbol(library, "tally_ask") = 
        tally_ask_through(exchange, request_fd, reply_fd, (void (*)(uint32_t))symbol(library, "tally_again"));
    struct link_map *map;
    dlinfo(library, RTLD_DI_LINKMAP, &map);
    limit();
    setvbuf(stdout, NULL, _IONBF, 0);
    const char *failure = tally_guard(exchange, (tally_kept_t *)symbol(library, "tally_kept"));
    if (!failure)
        failure = tally_find_references(map, symbol(library, "tally_stand_ins"),
                                        *(const uint32_t *)symbol(library, "tally_stand_in_count"));
    if (!failure)
        failure = tally_keep_data(map->l_addr);
    if (failure)
        fail(failure, NULL);

    char byte = 'r';
    while (write(reply_fd, &byte, 1) == 1 && read(request_fd, &byte, 1) == 1) {
        forget_printed();
        if (exchange->remap && (failure = tally_open_regions(memory_fd)) != NULL)
            tally_failed(failure);
        tally_run(call);
        exchange->printed = (uint32_t)lseek(STDERR_FILENO, 0, SEEK_CUR);
    }
    return 0;
}
