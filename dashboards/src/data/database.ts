/**
 * The pages' own store in the browser: what was last seen (`seen`) and what waits to be sent
 * (`outbox`). A newer version only ever adds to it, so that an update never loses a queued edit.
 */

const NAME = "larder";
const VERSION = 1;

export type StoreName = "seen" | "outbox" | "drafts";

let opened: Promise<IDBDatabase> | null = null;

function open(): Promise<IDBDatabase> {
  opened ??= new Promise<IDBDatabase>((resolve, reject) => {
    const request = indexedDB.open(NAME, VERSION);
    request.onupgradeneeded = () => {
      const existing = request.result.objectStoreNames;
      if (!existing.contains("seen")) request.result.createObjectStore("seen", { keyPath: "path" });
      if (!existing.contains("outbox")) {
        request.result.createObjectStore("outbox", { keyPath: "seq", autoIncrement: true });
      }
      if (!existing.contains("drafts")) request.result.createObjectStore("drafts", { keyPath: "name" });
    };
    request.onsuccess = () => {
      // Another tab with a newer version asks us to let go; the next call opens it again.
      request.result.onversionchange = () => {
        request.result.close();
        opened = null;
      };
      resolve(request.result);
    };
    request.onerror = () => {
      opened = null;
      reject(request.error ?? new Error("the browser's store could not be opened"));
    };
  });
  return opened;
}

async function run<T>(store: StoreName, mode: IDBTransactionMode, work: (s: IDBObjectStore) => IDBRequest<T>): Promise<T> {
  const database = await open();
  return new Promise<T>((resolve, reject) => {
    const transaction = database.transaction(store, mode);
    const request = work(transaction.objectStore(store));
    transaction.oncomplete = () => resolve(request.result);
    transaction.onabort = () => reject(transaction.error ?? new Error("the browser's store refused"));
  });
}

export const database = {
  get: <T>(store: StoreName, key: IDBValidKey) =>
    run(store, "readonly", (s) => s.get(key) as IDBRequest<T | undefined>),
  all: <T>(store: StoreName) => run(store, "readonly", (s) => s.getAll() as IDBRequest<T[]>),
  keys: (store: StoreName) => run(store, "readonly", (s) => s.getAllKeys()),
  put: (store: StoreName, value: unknown) => run(store, "readwrite", (s) => s.put(value)),
  delete: (store: StoreName, key: IDBValidKey) => run(store, "readwrite", (s) => s.delete(key)),
};
