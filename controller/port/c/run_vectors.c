/* Runs a vector file through the rules: run_vectors vectors.txt [calibration.bin]
 *
 * A host program: it uses the C library, which the rules do not. Exit 0 where all agree, 1 where a tick differs, 2
 * where the file or the image cannot be used; then no tick has run and the duty has stayed 0.
 */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "calibration_image.h"
#include "checks.h"
#include "flat.h"
#include "sizes.h"

#define LINE_BYTES (16 * (SIZE_LONGEST + 2))

static const char *const image_results[] = {
    "good",
    "wrong size: truncated, or of other rules",
    "not a calibration image",
    "an image format that this firmware does not read",
    "made for other rules",
    "its checksum does not match: corrupt",
    "a value is out of its range, or a relation does not hold",
};

static uint32_t crc_add(uint32_t crc, const char *text, size_t size)
{
    for (size_t at = 0u; at < size; at++)
    {
        crc ^= (uint32_t)(unsigned char)text[at];
        for (uint32_t bit = 0u; bit < 8u; bit++)
        {
            crc = ((crc & 1u) != 0u) ? ((crc >> 1u) ^ 0xEDB88320u) : (crc >> 1u);
        }
    }
    return crc;
}

static int fail(const char *file, long line, const char *what)
{
    (void)fprintf(stderr, "error: %s:%ld: %s\n", file, line, what);
    return 2;
}

/* Reads exactly `count` whole numbers after a record's letter. */
static bool numbers(const char *text, int32_t *values, uint32_t count)
{
    const char *at = text + 1;

    for (uint32_t place = 0u; place < count; place++)
    {
        char *after = NULL;

        errno = 0;
        const long value = strtol(at, &after, 10);
        if ((after == at) || (errno != 0) || (value < -2147483647L - 1L) || (value > 2147483647L))
        {
            return false;
        }
        values[place] = (int32_t)value;
        at = after;
    }
    return (*at == '\n') && (at[1] == '\0');
}

/* First pass: is the file whole and for these rules? Nothing runs before it is. */
static int check(const char *name, FILE *file, char *line)
{
    uint32_t crc = 0xFFFFFFFFu;
    long at = 0;
    unsigned long ticks = 0u;
    unsigned long version = 0u;
    unsigned long signature = 0u;
    bool ended = false;
    bool started = false;
    int32_t values[SIZE_LONGEST];

    while (fgets(line, LINE_BYTES, file) != NULL)
    {
        unsigned long claimed_ticks = 0u;
        unsigned long claimed_crc = 0u;
        char last = '\0';

        at++;
        if (ended)
        {
            return fail(name, at, "something after the end line");
        }
        if (strncmp(line, "end ", 4u) == 0)
        {
            if ((sscanf(line, "end %lu %8lx%c", &claimed_ticks, &claimed_crc, &last) != 3) || (last != '\n'))
            {
                return fail(name, at, "the end line is cut short; write the file anew");
            }
            if (claimed_ticks != ticks)
            {
                return fail(name, at, "the end line counts other ticks than the file has; write it anew");
            }
            if (claimed_crc != (unsigned long)(uint32_t)~crc)
            {
                return fail(name, at, "the checksum does not match: the file is corrupt; write it anew");
            }
            ended = true;
            continue;
        }
        crc = crc_add(crc, line, strlen(line));
        if (at == 1)
        {
            if (sscanf(line, "tccbench-vectors %lu %8lx%c", &version, &signature, &last) != 3)
            {
                return fail(name, at, "not a vector file; its first line is tccbench-vectors 1 SIGNATURE");
            }
            if (version != 1u)
            {
                return fail(name, at, "a format that this runner does not read; it reads 1");
            }
            if (signature != (unsigned long)RULES_SIGNATURE)
            {
                return fail(name, at, "made for other rules than this firmware");
            }
            continue;
        }
        const uint32_t count = (line[0] == 'k') ? SIZE_KEYS
                : ((line[0] == 't') ? (SIZE_INPUTS + SIZE_COMMAND) : SIZE_MEMORY);
        if ((strchr("kmte", line[0]) == NULL) || !numbers(line, values, count))
        {
            return fail(name, at, "not a record of the right length; the file is truncated or corrupt");
        }
        started = started || (line[0] == 'k');
        if (!started)
        {
            return fail(name, at, "a record before the first calibration");
        }
        if (line[0] == 't')
        {
            ticks++;
        }
    }
    return ended ? 0 : fail(name, at, "no end line: the file is truncated; write it anew");
}

static int differs(const char *name, long at, const int32_t *found, const int32_t *wanted, uint32_t count)
{
    for (uint32_t place = 0u; place < count; place++)
    {
        if (found[place] != wanted[place])
        {
            (void)printf("%s:%ld: field %lu is %ld, expected %ld\n", name, at, (unsigned long)place + 1u,
                    (long)found[place], (long)wanted[place]);
            return 1;
        }
    }
    return 0;
}

static int run(const char *name, FILE *file, char *line)
{
    rules_calibration_t k;
    rules_memory_t m;
    long at = 0;
    unsigned long ticks = 0u;
    unsigned long wrong = 0u;
    int32_t values[SIZE_LONGEST];
    int32_t found[SIZE_LONGEST];

    rules_start(&m);
    flat_calibration(rules_default_calibration, &k);
    while (fgets(line, LINE_BYTES, file) != NULL)
    {
        at++;
        if ((line[0] == 'k') && numbers(line, values, SIZE_KEYS))
        {
            flat_calibration(values, &k);
            if (!rules_calibration_valid(&k))
            {
                return fail(name, at, "a calibration that is not valid");
            }
        }
        else if ((line[0] == 'm') && numbers(line, values, SIZE_MEMORY))
        {
            flat_memory(values, &m);
        }
        else if ((line[0] == 't') && (line[1] == ' ') && numbers(line, values, SIZE_INPUTS + SIZE_COMMAND))
        {
            rules_inputs_t x;
            rules_command_t c;

            flat_inputs(values, &x);
            if (!rules_inputs_limit(&x))
            {
                return fail(name, at, "an input out of its range");
            }
            rules_tick(&k, &x, &m, &c);
            flat_command_out(&c, found);
            wrong += (unsigned long)differs(name, at, found, &values[SIZE_INPUTS], SIZE_COMMAND);
            ticks++;
        }
        else if ((line[0] == 'e') && (line[1] == ' ') && numbers(line, values, SIZE_MEMORY))
        {
            flat_memory_out(&m, found);
            wrong += (unsigned long)differs(name, at, found, values, SIZE_MEMORY);
        }
        else
        {
            /* the first and the last line */
        }
    }
    (void)printf("%lu ticks, %lu mismatches\n", ticks, wrong);
    return (wrong == 0u) ? 0 : 1;
}

/* Reads an image as the firmware would, and ticks once with everything good: the duty is the last word. */
static int try_image(const char *name)
{
    static uint8_t image[SIZE_IMAGE + 1];
    static device_t device;
    rules_inputs_t x;
    rules_command_t c;
    FILE *file = fopen(name, "rb");

    if (file == NULL)
    {
        return fail(name, 0, "cannot be read");
    }
    const size_t size = fread(image, 1u, sizeof image, file);
    (void)fclose(file);
    const int32_t result = device_start(&device, image, (uint32_t)size);
    flat_inputs(rules_default_inputs, &x);
    device_tick(&device, &x, &c);
    if (result != IMAGE_GOOD)
    {
        (void)fprintf(stderr, "error: %s: %s; duty %ld\n", name, image_results[result], (long)c.duty_ppm);
        return 2;
    }
    (void)printf("%s: good, duty %ld\n", name, (long)c.duty_ppm);
    return 0;
}

int main(int argc, char **argv)
{
    static char line[LINE_BYTES];

    if ((argc < 2) || (argc > 3))
    {
        (void)fprintf(stderr, "error: run_vectors vectors.txt [calibration.bin]\n");
        return 2;
    }
    if (argc == 3)
    {
        const int image_result = try_image(argv[2]);

        if (image_result != 0)
        {
            return image_result;
        }
    }
    FILE *file = fopen(argv[1], "rb");
    if (file == NULL)
    {
        return fail(argv[1], 0, "cannot be read");
    }
    int result = check(argv[1], file, line);
    if (result == 0)
    {
        rewind(file);
        result = run(argv[1], file, line);
    }
    (void)fclose(file);
    return result;
}
