//! Words that an exported prefix may not be, since a language keeps them for itself or a file uses them already.
//! Only those that a prefix could be: a lower-case letter first, no two underscores in a row.

/// C: the keywords of ISO/IEC 9899:1999 and :2011, 6.4.1, and what :2024 adds; those of C++ (ISO/IEC 14882:2020, [lex.key] and
/// [lex.digraph], with the words that have a meaning in some places only).
#[rustfmt::skip]
pub(super) const C: [&str; 99] = [
    "alignas", "alignof", "and", "and_eq", "asm", "auto", "bitand", "bitor", "bool", "break", "case", "catch",
    "char", "char16_t", "char32_t", "char8_t", "class", "co_await", "co_return", "co_yield", "compl",
    "concept", "const", "const_cast", "consteval", "constexpr", "constinit", "continue", "decltype",
    "default", "delete", "do", "double", "dynamic_cast", "else", "enum", "explicit", "export", "extern",
    "false", "final", "float", "for", "friend", "goto", "if", "import", "inline", "int", "long", "module",
    "mutable", "namespace", "new", "noexcept", "not", "not_eq", "nullptr", "operator", "or", "or_eq",
    "override", "private", "protected", "public", "register", "reinterpret_cast", "requires", "restrict",
    "return", "short", "signed", "sizeof", "static", "static_assert", "static_cast", "struct", "switch",
    "template", "this", "thread_local", "throw", "true", "try", "typedef", "typeid", "typename", "typeof",
    "typeof_unqual", "union", "unsigned", "using", "virtual", "void", "volatile", "wchar_t", "while", "xor",
    "xor_eq",
];

/// C: headers of the standard and of small machines, whose file the exported one would be mistaken for; functions, types and
/// macros that the header, its harness or the compilers use.
#[rustfmt::skip]
pub(super) const C_NAMES: [&str; 79] = [
    "abort", "asm", "assert", "avr", "calloc", "complex", "ctype", "errno", "exit", "fenv", "fgets", "float",
    "fprintf", "fputs", "free", "getchar", "i386", "int16_t", "int32_t", "int64_t", "int8_t", "interrupt",
    "intmax_t", "intptr_t", "inttypes", "iso646", "limits", "linux", "locale", "main", "malloc", "math",
    "memcmp", "memcpy", "memset", "offsetof", "pgmspace", "printf", "ptrdiff_t", "putchar", "puts", "realloc",
    "setjmp", "signal", "size_t", "stdalign", "stdarg", "stdatomic", "stdbool", "stddef", "stderr", "stdin",
    "stdint", "stdio", "stdlib", "stdnoreturn", "stdout", "strchr", "strcmp", "string", "strlen", "strncmp",
    "strtol", "strtoul", "tgmath", "threads", "time", "uchar", "uint16_t", "uint32_t", "uint64_t", "uint8_t",
    "uintmax_t", "uintptr_t", "unistd", "unix", "wchar", "wchar_t", "wctype",
];

/// Rust: strict, reserved and weak keywords of The Rust Reference, "Keywords", editions 2015 to 2024.
#[rustfmt::skip]
pub(super) const RUST: [&str; 55] = [
    "abstract", "as", "async", "await", "become", "box", "break", "const", "continue", "crate", "do", "dyn",
    "else", "enum", "extern", "false", "final", "fn", "for", "gen", "if", "impl", "in", "let", "loop",
    "macro", "macro_rules", "match", "mod", "move", "mut", "override", "priv", "pub", "raw", "ref", "return",
    "safe", "self", "static", "struct", "super", "trait", "true", "try", "type", "typeof", "union", "unsafe",
    "unsized", "use", "virtual", "where", "while", "yield",
];

/// Rust: primitive types, and crates that are always there.
#[rustfmt::skip]
pub(super) const RUST_NAMES: [&str; 21] = [
    "alloc", "bool", "char", "core", "f32", "f64", "i128", "i16", "i32", "i64", "i8", "isize", "std", "str",
    "test", "u128", "u16", "u32", "u64", "u8", "usize",
];

/// Python: `keyword.kwlist` and `keyword.softkwlist` of Python 3.13.
#[rustfmt::skip]
pub(super) const PYTHON: [&str; 35] = [
    "and", "as", "assert", "async", "await", "break", "case", "class", "continue", "def", "del", "elif",
    "else", "except", "finally", "for", "from", "global", "if", "import", "in", "is", "lambda", "match",
    "nonlocal", "not", "or", "pass", "raise", "return", "try", "type", "while", "with", "yield",
];

/// Python: what the exported module imports or calls, and modules of small interpreters.
#[rustfmt::skip]
pub(super) const PYTHON_NAMES: [&str; 24] = [
    "array", "bool", "builtins", "bytearray", "bytes", "const", "dict", "gc", "int", "len", "list", "machine",
    "math", "micropython", "object", "os", "print", "property", "range", "str", "struct", "sys", "time",
    "tuple",
];

/// Names that other exported files have, without their ends.
#[rustfmt::skip]
pub(super) const FILES: [&str; 4] = [
    "harness", "readme", "table", "vectors",
];
