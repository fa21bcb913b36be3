/* The command line that every kind of board process shares. */
#ifndef SX_OPTIONS_H
#define SX_OPTIONS_H

#include <stdbool.h>
#include <stdint.h>

#define BOARDS 30

struct options {
    const char *port, *bench, *elf;
    bool shared;
    int count;
    struct {
        char name[13];
        uint8_t address;
        const char *nv;
    } boards[BOARDS];
};

/* Ends the process with a line that says what is wrong. */
void options_read(struct options *o, int argc, char **argv);

/* A board's memory: the file, mapped, made and filled with 0xFF where it is too short. */
uint8_t *options_memory(const char *path, long bytes);

#endif
