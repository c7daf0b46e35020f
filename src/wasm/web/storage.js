// What this device keeps: the files of the folder, in IndexedDB. A call's changes are kept together or not at all.

/** A file as it is kept. Photos are kept as blobs, with the SHA-256 of their bytes.
 * @typedef {{path: string, bytes: Blob | Uint8Array, sha256?: string}} KeptFile */

export const NAME = "bossmark";
const FILES = "files";

/** What leads from one version of the storage to the next; a version that was once given away is never changed.
 * @type {((database: IDBDatabase, change: IDBTransaction) => void)[]} */
export const MIGRATIONS = [
  // 1: each file under its path
  (database) => {
    database.createObjectStore(FILES, { keyPath: "path" });
  },
];

/** @template T @param {IDBRequest<T>} request @returns {Promise<T>} */
function result(request) {
  return new Promise((done, failed) => {
    request.addEventListener("success", () => done(request.result));
    request.addEventListener("error", () => failed(request.error));
  });
}

export class Storage {
  /** @param {IDBDatabase} database */
  constructor(database) {
    this.database = database;
  }

  /** @param {() => void} [outdated] called when a newer page wants to change the storage */
  static open(outdated = () => {}) {
    return new Promise((/** @type {(storage: Storage) => void} */ done, failed) => {
      const request = indexedDB.open(NAME, MIGRATIONS.length);
      request.addEventListener("upgradeneeded", (event) => {
        const change = request.transaction;
        if (!change) return;
        for (const migrate of MIGRATIONS.slice(event.oldVersion)) migrate(request.result, change);
      });
      request.addEventListener("success", () => {
        request.result.addEventListener("versionchange", () => {
          request.result.close();
          outdated();
        });
        done(new Storage(request.result));
      });
      request.addEventListener("error", () => {
        const newer = request.error?.name === "VersionError";
        failed(new Error(newer
          ? "A newer version of this page keeps its ends here: reload until it comes, with a network. Nothing was changed."
          : `This browser keeps nothing for this page (${request.error?.message ?? "unknown"}): a private window does that.`));
      });
    });
  }

  /** @returns {Promise<KeptFile[]>} */
  all() {
    return result(this.database.transaction(FILES).objectStore(FILES).getAll());
  }

  /** @param {string} path @returns {Promise<KeptFile | undefined>} */
  file(path) {
    return result(this.database.transaction(FILES).objectStore(FILES).get(path));
  }

  /** Keeps and removes files, all or none; once this is over they are on the disk.
   * @param {KeptFile[]} kept @param {string[]} [removed] @param {boolean} [alone] whether everything else goes */
  change(kept, removed = [], alone = false) {
    return new Promise((/** @type {(value: void) => void} */ done, failed) => {
      const change = this.database.transaction(FILES, "readwrite", { durability: "strict" });
      const store = change.objectStore(FILES);
      change.addEventListener("complete", () => done());
      change.addEventListener("abort", () => failed(new Error(change.error?.name === "QuotaExceededError"
        ? "This device has no more room for this page: take photos off it, then do this again."
        : `This device did not keep it (${change.error?.message ?? "unknown"}).`)));
      if (alone) store.clear();
      for (const path of removed) store.delete(path);
      for (const file of kept) store.put(file);
    });
  }
}
