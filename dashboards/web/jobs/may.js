// Whether who is signed in here may change anything. The bench decides anyway; this only says what to offer.

/** True for those who may look only. */
export const onlyLooks = () => document.body.dataset.role === "viewer";
