// The part of binary-parser that is used here: the package has types, but its `exports` hide them from nodenext resolution.
declare module 'binary-parser' {
  type BitWidth =
    | 1
    | 2
    | 3
    | 4
    | 5
    | 6
    | 7
    | 8
    | 9
    | 10
    | 11
    | 12
    | 13
    | 14
    | 15
    | 16
    | 17
    | 18
    | 19
    | 20
    | 21
    | 22
    | 23
    | 24
    | 25
    | 26
    | 27
    | 28
    | 29
    | 30
    | 31
    | 32;
  type NumberField =
    | 'uint8'
    | 'uint16'
    | 'uint16be'
    | 'uint16le'
    | 'uint32'
    | 'uint32be'
    | 'uint32le'
    | `bit${BitWidth}`;

  type ParserMethods = { [Name in NumberField]: (name: string) => Parser } & {
    endianess(order: 'big' | 'little'): Parser;
    buffer(name: string, options: { readonly length: number }): Parser;
    seek(bytes: number): Parser;
    parse(bytes: Uint8Array): unknown;
  };

  export type Parser = ParserMethods;
  export const Parser: new () => Parser;
}
