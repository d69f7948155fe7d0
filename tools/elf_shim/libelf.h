/* The ten libelf calls that yasimavr's firmware loader makes, and no more.
 *
 * Written from the ELF specification (TIS 1.2) and the function names alone, so that
 * the emulator builds on a machine without libelf.  Read only, ELF32 little-endian
 * (every AVR image), host little-endian, one file at a time in memory.
 */
#ifndef SPARKTICK_ELF_SHIM_H
#define SPARKTICK_ELF_SHIM_H

#include <elf.h>
#include <stddef.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct Elf Elf;
typedef struct Elf_Scn Elf_Scn;

typedef struct {
    void *d_buf;
    size_t d_size;
} Elf_Data;

typedef enum { ELF_C_NULL, ELF_C_READ } Elf_Cmd;

typedef Elf64_Shdr GElf_Shdr;
typedef Elf64_Sym GElf_Sym;

/* Own symbol names: a real libelf in the same process or on the same link line, whose
 * structs are laid out differently, can never be mixed up with these. */
#define elf_version sparktick_elf_version
#define elf_begin sparktick_elf_begin
#define elf_end sparktick_elf_end
#define elf_getphdrnum sparktick_elf_getphdrnum
#define elf32_getphdr sparktick_elf32_getphdr
#define elf_nextscn sparktick_elf_nextscn
#define elf_getdata sparktick_elf_getdata
#define elf_strptr sparktick_elf_strptr
#define gelf_getshdr sparktick_gelf_getshdr
#define gelf_getsym sparktick_gelf_getsym

unsigned elf_version(unsigned version);
/* NULL unless fd holds a whole, well-formed ELF32 little-endian file. */
Elf *elf_begin(int fd, Elf_Cmd command, Elf *reference);
int elf_end(Elf *elf);
int elf_getphdrnum(Elf *elf, size_t *count);
Elf32_Phdr *elf32_getphdr(Elf *elf);
/* Section 1, 2, ... in file order; section 0 is skipped as libelf does. */
Elf_Scn *elf_nextscn(Elf *elf, Elf_Scn *section);
Elf_Data *elf_getdata(Elf_Scn *section, Elf_Data *previous);
char *elf_strptr(Elf *elf, size_t section, size_t offset);
GElf_Shdr *gelf_getshdr(Elf_Scn *section, GElf_Shdr *out);
GElf_Sym *gelf_getsym(Elf_Data *data, int index, GElf_Sym *out);

#ifdef __cplusplus
}
#endif
#endif
