/* See options.h. */
#define _XOPEN_SOURCE 700
#define _DEFAULT_SOURCE
#include "options.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

#include "line.h"

_Noreturn void line_fail(const char *what, const char *which) {
    (void)fprintf(stderr, "host board: %s: %s\n", what, which);
    exit(2);
}

uint8_t *options_memory(const char *path, long bytes) {
    int fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0600);
    struct stat status;
    if (fd < 0 || fstat(fd, &status) != 0) {
        line_fail(path, strerror(errno));
    }
    long had = (long)status.st_size;
    if (had < bytes && ftruncate(fd, bytes) != 0) {
        line_fail(path, strerror(errno));
    }
    uint8_t *nv = mmap(0, (size_t)bytes, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    if (nv == MAP_FAILED) {
        line_fail(path, strerror(errno));
    }
    if (had < bytes) {
        memset(nv + had, 0xFF, (size_t)(bytes - had)); /* as a new part comes */
    }
    (void)close(fd);
    return nv;
}

static void add(struct options *o, const char *name, long address, const char *nv) {
    if (o->count == BOARDS || !*name || strlen(name) > 12 || address < 1 || address > 255) {
        line_fail("a board needs a name of 1 to 12 characters and an address 1..255", name);
    }
    strcpy(o->boards[o->count].name, name);
    o->boards[o->count].address = (uint8_t)address;
    o->boards[o->count++].nv = nv;
}

/* NAME:ADDRESS:NV */
static void add_described(struct options *o, char *text) {
    char *address = strchr(text, ':');
    char *nv = address ? strchr(address + 1, ':') : 0;
    if (!nv) {
        line_fail("--board wants NAME:ADDRESS:NV", text);
    }
    *address++ = 0;
    *nv++ = 0;
    add(o, text, strtol(address, 0, 10), nv);
}

void options_read(struct options *o, int argc, char **argv) {
    const char *nv = 0, *id = 0;
    long address = 1;
    for (int i = 1; i < argc; i++) {
        char *value = i + 1 < argc ? argv[i + 1] : 0;
        if (strcmp(argv[i], "--shared") == 0) {
            o->shared = true;
            continue;
        }
        if (!value) {
            line_fail("needs a value", argv[i]);
        } else if (strcmp(argv[i], "--port") == 0) {
            o->port = value;
        } else if (strcmp(argv[i], "--nv") == 0) {
            nv = value;
        } else if (strcmp(argv[i], "--id") == 0) {
            id = value;
        } else if (strcmp(argv[i], "--address") == 0) {
            address = strtol(value, 0, 10);
        } else if (strcmp(argv[i], "--bench") == 0) {
            o->bench = value;
        } else if (strcmp(argv[i], "--elf") == 0) {
            o->elf = value;
        } else if (strcmp(argv[i], "--board") == 0) {
            add_described(o, value);
        } else {
            line_fail("unknown option", argv[i]);
        }
        i++;
    }
    if (id && nv) {
        add(o, id, address, nv);
    }
    if (!o->port || !o->count) {
        line_fail("usage", "--port PATH (--nv FILE --id NAME [--address N] | --board "
                           "NAME:ADDRESS:NV ...) [--shared] [--bench PATH]");
    }
}
