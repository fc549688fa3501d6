/* Scans that are not stored yet, kept in this browser until the server has answered: they survive a crash.
   A scan is {session, sequence, raw, typed, window, operator, pending, offline, day, cards}; never a name. */

const asked = (request) =>
  new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });

const done = (transaction) =>
  new Promise((resolve, reject) => {
    transaction.oncomplete = () => resolve();
    transaction.onabort = () => reject(transaction.error);
    transaction.onerror = () => reject(transaction.error);
  });

const open = () => {
  const request = indexedDB.open("roundbook-post", 1);
  request.onupgradeneeded = () => request.result.createObjectStore("waiting", { keyPath: ["session", "sequence"] });
  return asked(request);
};

export const queueOf = async (session) => {
  const base = await open();
  const change = (work) => {
    const transaction = base.transaction("waiting", "readwrite", { durability: "strict" });
    work(transaction.objectStore("waiting"));
    return done(transaction);
  };
  return {
    put: (scan) => change((store) => store.put({ ...scan, session })),
    remove: (scan) => change((store) => store.delete([session, scan.sequence])),
    replace: (old, fresh) =>
      change((store) => {
        for (const scan of old) store.delete([session, scan.sequence]);
        for (const scan of fresh) store.put({ ...scan, session });
      }),
    all: async () => {
      const rows = await asked(base.transaction("waiting").objectStore("waiting").getAll());
      return rows.filter((row) => row.session === session).sort((a, b) => a.sequence - b.sequence);
    },
    others: async () => {
      const keys = await asked(base.transaction("waiting").objectStore("waiting").getAllKeys());
      return [...new Set(keys.map(([one]) => one))].filter((one) => one !== session);
    },
  };
};
