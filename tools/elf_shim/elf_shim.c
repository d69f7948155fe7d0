#include "libelf.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct Elf_Scn {
    Elf *owner;
    Elf32_Shdr header;
    Elf_Data data;
};

struct Elf {
    unsigned char *image;
    size_t size;
    Elf32_Ehdr header;
    Elf32_Phdr *segments;
    Elf_Scn *sections;
};

unsigned elf_version(unsigned version)
{
    return version == EV_CURRENT ? EV_CURRENT : EV_NONE;
}

static int inside(const Elf *elf, size_t offset, size_t length)
{
    return offset <= elf->size && length <= elf->size - offset;
}

static int read_file(Elf *elf, int fd)
{
    off_t end = lseek(fd, 0, SEEK_END);
    if (end <= 0 || lseek(fd, 0, SEEK_SET) != 0) {
        return 0;
    }
    elf->size = (size_t)end;
    /* One zero byte more, so that a string at the very end is always terminated. */
    elf->image = calloc(1, elf->size + 1u);
    size_t got = 0;
    while (elf->image != NULL && got < elf->size) {
        ssize_t n = read(fd, elf->image + got, elf->size - got);
        if (n <= 0) {
            return 0;
        }
        got += (size_t)n;
    }
    return elf->image != NULL;
}

static int read_header(Elf *elf)
{
    if (elf->size < sizeof elf->header) {
        return 0;
    }
    memcpy(&elf->header, elf->image, sizeof elf->header);
    const unsigned char *id = elf->header.e_ident;
    return memcmp(id, ELFMAG, SELFMAG) == 0 && id[EI_CLASS] == ELFCLASS32
        && id[EI_DATA] == ELFDATA2LSB;
}

static int read_segments(Elf *elf)
{
    size_t count = elf->header.e_phnum;
    size_t bytes = count * sizeof(Elf32_Phdr);
    int whole = elf->header.e_phentsize == sizeof(Elf32_Phdr)
        && inside(elf, elf->header.e_phoff, bytes);
    if (count != 0 && !whole) {
        return 0;
    }
    elf->segments = calloc(count + 1u, sizeof(Elf32_Phdr));
    if (elf->segments == NULL) {
        return 0;
    }
    memcpy(elf->segments, elf->image + (count != 0 ? elf->header.e_phoff : 0u), bytes);
    return 1;
}

static int read_section(Elf *elf, size_t index)
{
    Elf_Scn *section = &elf->sections[index];
    section->owner = elf;
    memcpy(&section->header, elf->image + elf->header.e_shoff + index * sizeof(Elf32_Shdr),
           sizeof(Elf32_Shdr));
    section->data.d_size = section->header.sh_size;
    if (section->header.sh_type == SHT_NOBITS || section->header.sh_type == SHT_NULL) {
        return 1; /* size without bytes, as .bss */
    }
    if (!inside(elf, section->header.sh_offset, section->header.sh_size)) {
        return 0;
    }
    section->data.d_buf = elf->image + section->header.sh_offset;
    return 1;
}

static int read_sections(Elf *elf)
{
    size_t count = elf->header.e_shnum;
    if (count != 0
        && (elf->header.e_shentsize != sizeof(Elf32_Shdr)
            || !inside(elf, elf->header.e_shoff, count * sizeof(Elf32_Shdr)))) {
        return 0;
    }
    elf->sections = calloc(count + 1u, sizeof(Elf_Scn));
    if (elf->sections == NULL) {
        return 0;
    }
    for (size_t i = 0; i < count; i++) {
        if (!read_section(elf, i)) {
            return 0;
        }
    }
    return 1;
}

Elf *elf_begin(int fd, Elf_Cmd command, Elf *reference)
{
    (void)reference;
    Elf *elf = command == ELF_C_READ ? calloc(1, sizeof *elf) : NULL;
    if (elf == NULL) {
        return NULL;
    }
    if (!read_file(elf, fd) || !read_header(elf) || !read_segments(elf) || !read_sections(elf)) {
        elf_end(elf);
        return NULL;
    }
    return elf;
}

int elf_end(Elf *elf)
{
    if (elf != NULL) {
        free(elf->sections);
        free(elf->segments);
        free(elf->image);
        free(elf);
    }
    return 0;
}

int elf_getphdrnum(Elf *elf, size_t *count)
{
    *count = elf != NULL ? elf->header.e_phnum : 0u;
    return elf != NULL ? 0 : -1;
}

Elf32_Phdr *elf32_getphdr(Elf *elf)
{
    return elf != NULL ? elf->segments : NULL;
}

Elf_Scn *elf_nextscn(Elf *elf, Elf_Scn *section)
{
    if (elf == NULL) {
        return NULL;
    }
    size_t next = section == NULL ? 1u : (size_t)(section - elf->sections) + 1u;
    return next < elf->header.e_shnum ? &elf->sections[next] : NULL;
}

Elf_Data *elf_getdata(Elf_Scn *section, Elf_Data *previous)
{
    return section != NULL && previous == NULL ? &section->data : NULL;
}

char *elf_strptr(Elf *elf, size_t section, size_t offset)
{
    if (elf == NULL || section >= elf->header.e_shnum) {
        return NULL;
    }
    const Elf_Data *data = &elf->sections[section].data;
    if (data->d_buf == NULL || offset >= data->d_size) {
        return NULL;
    }
    return (char *)data->d_buf + offset;
}

GElf_Shdr *gelf_getshdr(Elf_Scn *section, GElf_Shdr *out)
{
    if (section == NULL) {
        return NULL;
    }
    const Elf32_Shdr *in = &section->header;
    out->sh_name = in->sh_name;
    out->sh_type = in->sh_type;
    out->sh_flags = in->sh_flags;
    out->sh_addr = in->sh_addr;
    out->sh_offset = in->sh_offset;
    out->sh_size = in->sh_size;
    out->sh_link = in->sh_link;
    out->sh_info = in->sh_info;
    out->sh_addralign = in->sh_addralign;
    out->sh_entsize = in->sh_entsize;
    return out;
}

GElf_Sym *gelf_getsym(Elf_Data *data, int index, GElf_Sym *out)
{
    Elf32_Sym in;
    if (data == NULL || data->d_buf == NULL || index < 0
        || (size_t)index >= data->d_size / sizeof in) {
        return NULL;
    }
    memcpy(&in, (const char *)data->d_buf + (size_t)index * sizeof in, sizeof in);
    out->st_name = in.st_name;
    out->st_info = in.st_info;
    out->st_other = in.st_other;
    out->st_shndx = in.st_shndx;
    out->st_value = in.st_value;
    out->st_size = in.st_size;
    return out;
}
