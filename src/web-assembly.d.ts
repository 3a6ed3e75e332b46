// The little of the WebAssembly interface that is used; TypeScript ships it with the browser's types only.
declare namespace WebAssembly {
  class Module {
    constructor(binary: Uint8Array);
  }
  class Memory {
    constructor(pages: { initial: number; maximum: number; shared: true });
    readonly buffer: SharedArrayBuffer;
  }
  class Instance {
    constructor(module: Module, imports: Readonly<Record<string, Readonly<Record<string, Memory>>>>);
    readonly exports: Readonly<Record<string, unknown>>;
  }
  function validate(binary: Uint8Array): boolean;
}
